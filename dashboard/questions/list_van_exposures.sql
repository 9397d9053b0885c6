-- One row per exposure of one van, present ones first.
with

exposures as (
    select
        attribute,
        "value",
        from_date,
        to_date,
        is_current
    from van_exposures
    where van = $van
    order by is_current desc, attribute, from_date
)

select * from exposures
