-- What each van is or was exposed to: parking, route, fittings, with dates where they are known.
-- grain: one row per van x attribute x beginning
-- key: van, attribute, from_date
-- kind: table
-- column attribute: what is told of the van, such as parking
-- column value: what holds
-- column from_date: first day it holds; null for what the register says
-- column to_date: first day it no longer holds; null where it still does
-- column is_current: holds at the end of the data
with exposures as (
    select * from stg_exposures
),

attributes as (
    select * from stg_van_attributes
),

fleet as (
    select * from int_fleet
),

dated as (
    select
        exposures.van,
        exposures.attribute,
        exposures.value,
        exposures.from_date,
        exposures.to_date,
        coalesce(exposures.from_date <= cast(fleet.data_to as date), true)
        and coalesce(exposures.to_date > cast(fleet.data_to as date), true) as is_current
    from exposures
    cross join fleet
),

-- A dated entry without a beginning would clash with the register's word on the same attribute.
standing as (
    select
        attributes.van,
        attributes.attribute,
        attributes.value,
        cast(null as date) as from_date,
        cast(null as date) as to_date,
        true as is_current
    from attributes
    left join exposures
        on attributes.van = exposures.van
        and attributes.attribute = exposures.attribute
        and exposures.from_date is null
    where exposures.van is null
),

together as (
    select * from dated
    union all
    select * from standing
)

select * from together
