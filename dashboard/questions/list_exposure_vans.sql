-- One row per shown van and side of an exposure: where it stood in a reading while the level held.
with

spans as (
    select
        van,
        span_from,
        level = $level as is_exposed
    from exposure_spans
    where attribute = $attribute and level in ($level, $other_level)
),

sided as (
    select
        exposure_levels.van,
        exposure_levels.cohort_id,
        spans.is_exposed,
        sum(exposure_levels.y * exposure_levels.m) / sum(exposure_levels.m) as value,
        cast(sum(exposure_levels.m) as bigint) as n_scans,
        min(exposure_levels.first_at) as first_at,
        max(exposure_levels.last_at) as last_at
    from exposure_levels
    inner join spans
        on exposure_levels.van = spans.van and exposure_levels.span_from = spans.span_from
    where exposure_levels.parameter = $parameter and exposure_levels.state = $state
    group by exposure_levels.van, exposure_levels.cohort_id, spans.is_exposed
),

whole as (
    select
        cohort_id,
        count(distinct is_exposed) as n_sides
    from sided
    group by cohort_id
),

named as (
    select
        sided.van,
        sided.cohort_id,
        vans.cohort,
        sided.is_exposed,
        sided.value,
        sided.n_scans,
        sided.first_at,
        sided.last_at,
        count(*) over (partition by sided.van) > 1 as is_both,
        exposure_strata.median_shift
    from sided
    inner join whole on sided.cohort_id = whole.cohort_id and whole.n_sides = 2
    inner join vans on sided.van = vans.van
    left join exposure_strata
        on sided.cohort_id = exposure_strata.cohort_id
        and exposure_strata.attribute = $attribute
        and exposure_strata.level = $level
        and exposure_strata.parameter = $parameter
        and exposure_strata.state = $state
    where sided.van in (select unnest(cast($vans as varchar[])))
    order by vans.cohort, sided.is_exposed desc, sided.value, sided.van
)

select * from named
