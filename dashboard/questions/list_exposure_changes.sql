-- One row per dated change of an exposure on a shown van: what held before, what holds since, from when.
with

spans as (
    select
        van,
        span_from,
        level_name,
        level,
        lag(level) over (partition by van order by span_from) as level_before,
        lag(level_name) over (partition by van order by span_from) as name_before
    from exposure_spans
    where attribute = $attribute
),

changes as (
    select
        van,
        span_from as changed_on,
        name_before,
        level_name
    from spans
    where level_before is not null
        and level_before <> level
        and van in (select unnest(cast($vans as varchar[])))
    order by changed_on desc, van
)

select * from changes
