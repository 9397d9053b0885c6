-- Which kind of work ends which code, over the fleet: on how many vans it was tried, on how many the code stayed away.
-- Each van counts once, by the last time it was tried there. Work that names no code is held against every code that
-- stood at the time, so most such rows are chance.
-- grain: one row per kind of work x part x module x code
-- key: what, part, module, code
-- kind: view
-- column what: what was done
-- column part: the part it was done on, without case, accents and punctuation
-- column n_vans: vans on which it was tried while the code stood
-- column n_judged: of those, vans where later scans tell what became of it
-- column n_ended: of those, vans where it stayed away
-- column n_named: vans whose work names this code
-- column share: n_ended / n_judged; null where there are none
-- column share_low: lower end of its 95 % interval (Wilson 1927)
-- column share_high: upper end of its 95 % interval
with cases as (
    select * from work_codes
),

latest as (
    select *
    from cases
    qualify row_number() over (
        partition by van, what, part, module, code order by worked_at desc, work_code desc
    ) = 1
),

tallies as (
    select
        what,
        part,
        module,
        code,
        count(*) as n_vans,
        count(case when outcome in ('ended', 'returned') then 1 end) as n_judged,
        count(case when outcome = 'ended' then 1 end) as n_ended,
        count(case when work_code <> '' then 1 end) as n_named
    from latest
    group by what, part, module, code
),

-- 3.841458820694124 is the square of the two-sided 95 % point of the normal distribution.
shares as (
    select
        tallies.*,
        n_ended / nullif(n_judged, 0) as share,
        3.841458820694124 / nullif(n_judged, 0) as z2_per_van
    from tallies
),

intervals as (
    select
        what,
        part,
        module,
        code,
        n_vans,
        n_judged,
        n_ended,
        n_named,
        share,
        case
            when n_judged > 0
                then greatest(
                    0.0,
                    (share + z2_per_van / 2.0 - sqrt(z2_per_van * (share * (1.0 - share) + z2_per_van / 4.0)))
                    / greatest(1.0, 1.0 + z2_per_van)
                )
        end as share_low,
        case
            when n_judged > 0
                then least(
                    1.0,
                    (share + z2_per_van / 2.0 + sqrt(z2_per_van * (share * (1.0 - share) + z2_per_van / 4.0)))
                    / greatest(1.0, 1.0 + z2_per_van)
                )
        end as share_high
    from shares
)

select * from intervals
