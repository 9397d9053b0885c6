-- What else the register says of a van: its newest value of each extra column.
-- grain: one row per van x attribute
-- key: van, attribute
-- kind: table
with attributes as (
    select * from raw.van_attributes
),

newest as (
    select
        van,
        attribute,
        value
    from attributes
    where van is not null and attribute is not null and value is not null
    qualify row_number() over (
        partition by van, attribute order by batch_id desc, file_id desc, line desc
    ) = 1
)

select * from newest
