-- Every code a van has shown: since when, how steadily, how often it outlived a clearing.
-- Steadiness is counted over the last level_days, the first showing in them left out, on scans that can tell.
-- grain: one row per van x module x code
-- key: van, module, code
-- kind: table
-- column title: a common title of the code, else what a reader wrote beside it; null where neither is known
-- column structure: standard, maker, number (a maker's own number) or other
-- column first_seen: first scan that listed it (UTC)
-- column last_seen: last scan that listed it (UTC)
-- column first_seen_km: lowest odometer of a first entry that a reader gave (km)
-- column n_present: scans that showed it as more than healed, over all time
-- column n_readers: readers that listed it
-- column last_status: newest status shown
-- column had_lamp: it was shown to light a warning lamp; null where no reader says
-- column n_low_voltage: showings in clusters that low supply voltage explains
-- column n_later_covered: scans after its first showing that can tell
-- column n_later_present: of those, scans that showed it
-- column share: n_later_present / n_later_covered; null where there are none
-- column share_low: lower end of its 95 % interval (Wilson 1927)
-- column share_high: upper end of its 95 % interval
-- column n_absent_since: scans that can tell since it was last shown
-- column chance_of_absence: chance of missing it that often if it still showed as often as up to its last showing
-- column n_cannot_tell: scans after its first showing that cannot tell
-- column n_present_uncovered: showings in scans that do not say which modules they asked
-- column n_clears: clearings of the code after it was first shown
-- column n_clears_survived: of those, clearings after which it was shown again
with scan_answers as (
    select * from code_scans
),

listed as (
    select * from int_code_scans
),

clears as (
    select * from int_clears
),

vans as (
    select * from stg_vans
),

titles as (
    select * from code_titles
),

empty_texts as (
    select * from vocab.undescribed_texts
),

entries as (
    select
        van,
        module,
        code,
        min(structure) as structure,
        max(case when empty_texts.text is null then listed.text end) as text,
        min(scanned_at) as first_seen,
        max(scanned_at) as last_seen,
        min(first_seen_km) as first_seen_km,
        count(case when standing = 'present' then 1 end) as n_present,
        count(distinct reader) as n_readers,
        arg_max(status, scanned_at) as last_status,
        max(case when lamp then 1 when not lamp then 0 end) = 1 as had_lamp
    from listed
    left join empty_texts on lower(trim(listed.text)) = empty_texts.text
    where status is not null
    group by van, module, code
),

spans as (
    select
        van,
        module,
        code,
        min(case when standing = 'present' and is_counted and is_in_window then scanned_at end) as first_told_at,
        max(case when standing = 'present' and is_counted and is_in_window then scanned_at end) as last_told_at
    from scan_answers
    group by van, module, code
),

tallies as (
    select
        scan_answers.van,
        scan_answers.module,
        scan_answers.code,
        count(case when scan_answers.is_low_voltage then 1 end) as n_low_voltage,
        count(
            case when scan_answers.standing = 'present' and not scan_answers.is_counted and not scan_answers.is_low_voltage then 1 end
        ) as n_present_uncovered,
        count(
            case when scan_answers.is_in_window and scan_answers.scanned_at > spans.first_told_at and scan_answers.is_counted then 1 end
        ) as n_later_covered,
        count(
            case
                when scan_answers.is_in_window
                    and scan_answers.scanned_at > spans.first_told_at
                    and scan_answers.is_counted
                    and scan_answers.standing = 'present' then 1
            end
        ) as n_later_present,
        count(
            case when scan_answers.is_in_window and scan_answers.scanned_at > spans.last_told_at and scan_answers.is_counted then 1 end
        ) as n_absent_since,
        count(
            case
                when scan_answers.is_in_window
                    and scan_answers.scanned_at > spans.first_told_at
                    and not scan_answers.is_counted
                    and not scan_answers.is_low_voltage then 1
            end
        ) as n_cannot_tell
    from scan_answers
    inner join spans
        on scan_answers.van = spans.van and scan_answers.module = spans.module and scan_answers.code = spans.code
    group by scan_answers.van, scan_answers.module, scan_answers.code
),

outlived as (
    select
        entries.van,
        entries.module,
        entries.code,
        count(distinct clears.cleared_at) as n_clears,
        count(distinct case when entries.last_seen > clears.cleared_at then clears.cleared_at end)
            as n_clears_survived
    from entries
    inner join clears
        on entries.van = clears.van
        and (clears.code = '' or clears.code = entries.code)
        and clears.cleared_at > entries.first_seen
    group by entries.van, entries.module, entries.code
),

-- 3.841458820694124 is the square of the two-sided 95 % point of the normal distribution.
shares as (
    select
        tallies.*,
        n_later_present / nullif(n_later_covered, 0) as share,
        n_later_present / nullif(n_later_covered - n_absent_since, 0) as share_until_last,
        3.841458820694124 / nullif(n_later_covered, 0) as z2_per_scan
    from tallies
),

intervals as (
    select
        shares.*,
        case
            when n_later_covered > 0
                then greatest(
                    0.0,
                    (share + z2_per_scan / 2.0 - sqrt(z2_per_scan * (share * (1.0 - share) + z2_per_scan / 4.0)))
                    / greatest(1.0, 1.0 + z2_per_scan)
                )
        end as share_low,
        case
            when n_later_covered > 0
                then least(
                    1.0,
                    (share + z2_per_scan / 2.0 + sqrt(z2_per_scan * (share * (1.0 - share) + z2_per_scan / 4.0)))
                    / greatest(1.0, 1.0 + z2_per_scan)
                )
        end as share_high
    from shares
),

joined as (
    select
        entries.van,
        vans.cohort_id,
        entries.module,
        entries.code,
        coalesce(titles.title, nullif(entries.text, '')) as title,
        entries.structure,
        entries.first_seen,
        entries.last_seen,
        entries.first_seen_km,
        entries.n_present,
        entries.n_readers,
        entries.last_status,
        entries.had_lamp,
        intervals.n_low_voltage,
        intervals.n_later_covered,
        intervals.n_later_present,
        intervals.share,
        intervals.share_low,
        intervals.share_high,
        intervals.n_absent_since,
        power(1.0 - intervals.share_until_last, intervals.n_absent_since) as chance_of_absence,
        intervals.n_cannot_tell,
        intervals.n_present_uncovered,
        coalesce(outlived.n_clears, 0) as n_clears,
        coalesce(outlived.n_clears_survived, 0) as n_clears_survived
    from entries
    inner join intervals
        on entries.van = intervals.van and entries.module = intervals.module and entries.code = intervals.code
    left join outlived
        on entries.van = outlived.van and entries.module = outlived.module and entries.code = outlived.code
    left join vans on entries.van = vans.van
    left join titles on entries.code = titles.code
)

select * from joined
