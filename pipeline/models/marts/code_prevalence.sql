-- How many vans of a cohort have a code, of those whose module answered and that were not just cleared.
-- grain: one row per cohort x module x code
-- key: cohort_id, module, code
-- kind: table
-- column title: a common title of the code, else what a reader wrote beside it; null where neither is known
-- column structure: standard, maker, number (a maker's own number) or other
-- column n_vans: vans that count
-- column n_vans_with: of those, vans that have it
-- column n_vans_unknown: vans that do not count: no scan of the last level_days can tell
-- column share: n_vans_with / n_vans; null where none counts
-- column share_low: lower end of its 95 % interval (Wilson 1927)
-- column share_high: upper end of its 95 % interval
-- column n_scans: scans behind it
-- column n_vans_lamp: vans that have it and on which it lit a warning lamp
-- column n_vans_lamp_known: vans that have it and whose reader says whether it lights one
with vans_judged as (
    select * from code_vans
),

entries as (
    select * from van_codes
),

counted as (
    select
        vans_judged.cohort_id,
        vans_judged.module,
        vans_judged.code,
        max(entries.title) as title,
        min(entries.structure) as structure,
        count(case when vans_judged.standing <> 'unknown' then 1 end) as n_vans,
        count(case when vans_judged.standing = 'with' then 1 end) as n_vans_with,
        count(case when vans_judged.standing = 'unknown' then 1 end) as n_vans_unknown,
        cast(sum(vans_judged.n_scans) as bigint) as n_scans,
        count(case when vans_judged.standing = 'with' and entries.had_lamp then 1 end) as n_vans_lamp,
        count(case when vans_judged.standing = 'with' and entries.had_lamp is not null then 1 end)
            as n_vans_lamp_known,
        min(case when vans_judged.standing = 'with' then entries.first_seen end) as first_seen,
        max(case when vans_judged.standing = 'with' then entries.last_seen end) as last_seen
    from vans_judged
    left join entries
        on vans_judged.van = entries.van
        and vans_judged.module = entries.module
        and vans_judged.code = entries.code
    group by vans_judged.cohort_id, vans_judged.module, vans_judged.code
),

-- 3.841458820694124 is the square of the two-sided 95 % point of the normal distribution.
shares as (
    select
        counted.*,
        counted.n_vans_with / nullif(counted.n_vans, 0) as share,
        3.841458820694124 / nullif(counted.n_vans, 0) as z2_per_van
    from counted
),

intervals as (
    select
        cohort_id,
        module,
        code,
        title,
        structure,
        n_vans,
        n_vans_with,
        n_vans_unknown,
        share,
        case
            when n_vans > 0
                then greatest(
                    0.0,
                    (share + z2_per_van / 2.0 - sqrt(z2_per_van * (share * (1.0 - share) + z2_per_van / 4.0)))
                    / greatest(1.0, 1.0 + z2_per_van)
                )
        end as share_low,
        case
            when n_vans > 0
                then least(
                    1.0,
                    (share + z2_per_van / 2.0 + sqrt(z2_per_van * (share * (1.0 - share) + z2_per_van / 4.0)))
                    / greatest(1.0, 1.0 + z2_per_van)
                )
        end as share_high,
        n_scans,
        n_vans_lamp,
        n_vans_lamp_known,
        first_seen,
        last_seen
    from shares
)

select * from intervals
