-- What each van was exposed to, cut into spans in which none of it changed.
-- A dated entry outranks the register, a later beginning an earlier one. The depot counts as an exposure.
-- grain: one row per van x span x attribute
-- key: van, span_from, attribute
-- kind: table
-- column span_from: first day of the span; 0001-01-01 where it has no beginning
-- column span_to: first day after the span; 9999-12-31 where it has no end
-- column attribute: what is told of the van, such as parking
-- column level: what holds, in lower case
-- column level_name: what holds, as written
with dated as (
    select * from stg_exposures
),

register as (
    select * from stg_van_attributes
),

vans as (
    select * from stg_vans
),

entries as (
    select
        van,
        attribute,
        trim(value) as level_name,
        coalesce(from_date, cast('0001-01-01' as date)) as from_date,
        coalesce(to_date, cast('9999-12-31' as date)) as to_date,
        1 as precedence
    from dated
    union all
    select
        van,
        attribute,
        trim(value) as level_name,
        cast('0001-01-01' as date) as from_date,
        cast('9999-12-31' as date) as to_date,
        2 as precedence
    from register
    union all
    select
        van,
        'depot' as attribute,
        trim(depot) as level_name,
        cast('0001-01-01' as date) as from_date,
        cast('9999-12-31' as date) as to_date,
        3 as precedence
    from vans
    where depot is not null
),

told as (
    select * from entries
    where level_name <> '' and from_date < to_date
),

boundaries as (
    select
        van,
        from_date as day
    from told
    union
    select
        van,
        to_date as day
    from told
    union
    select
        van,
        cast('0001-01-01' as date) as day
    from told
),

spans as (
    select
        van,
        day as span_from,
        lead(day) over (partition by van order by day) as span_to
    from boundaries
),

held as (
    select
        spans.van,
        spans.span_from,
        spans.span_to,
        told.attribute,
        lower(told.level_name) as level,
        told.level_name
    from spans
    inner join told
        on spans.van = told.van
        and told.from_date <= spans.span_from
        and told.to_date >= spans.span_to
    where spans.span_to is not null
    qualify row_number() over (
        partition by spans.van, spans.span_from, told.attribute
        order by told.precedence, told.from_date desc, told.level_name
    ) = 1
)

select * from held
