-- One row per month: where the siblings' scans of this reading lay, the van itself left out.
with

own as (
    select
        cohort_id,
        family_id
    from vans
    where van = $van
),

scored as (
    select coalesce(bool_or(is_fallback), false) as is_fallback
    from sibling_scores
    where van = $van
        and parameter = $parameter
        and state = $state
),

siblings as (
    select vans.van
    from vans
    cross join own
    cross join scored
    where vans.van <> $van
        and case
            when scored.is_fallback then vans.family_id = own.family_id
            else vans.cohort_id = own.cohort_id
        end
),

months as (
    select
        date_trunc('month', scan_levels.scanned_at)::timestamp as month_at,
        quantile_cont(scan_levels.value, 0.05) as low,
        median(scan_levels.value) as middle,
        quantile_cont(scan_levels.value, 0.95) as high,
        count(distinct scan_levels.van) as n_vans,
        count(*) as n_scans
    from scan_levels
    inner join siblings on scan_levels.van = siblings.van
    where scan_levels.parameter = $parameter
        and scan_levels.state = $state
        and scan_levels.value is not null
    group by all
    order by month_at
)

select * from months
