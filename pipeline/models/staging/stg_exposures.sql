-- What a van was exposed to and when (parking, route, driver ...), the newest entry of each beginning.
-- grain: one row per van x attribute x beginning
-- key: van, attribute, from_date
-- kind: table
with exposures as (
    select * from raw.exposures
),

van_names as (
    select * from stg_van_names
),

named as (
    select
        coalesce(van_names.van, exposures.van) as van,
        exposures.attribute,
        exposures.value,
        exposures.from_date,
        exposures.to_date,
        exposures.batch_id,
        exposures.file_id,
        exposures.line
    from exposures
    left join van_names on upper(translate(exposures.van, ' -.', '')) = van_names.name_folded
),

newest as (
    select
        van,
        attribute,
        value,
        from_date,
        to_date
    from named
    where van is not null and attribute is not null and value is not null
    qualify row_number() over (
        partition by van, attribute, from_date order by batch_id desc, file_id desc, line desc
    ) = 1
)

select * from newest
