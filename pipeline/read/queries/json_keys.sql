-- One row per key found in any object, in the order in which people write them.
with objects as (
    select json_keys(text) as keys from lines where is_object
),

placed as (
    select unnest(keys) as key, generate_subscripts(keys, 1) as place from objects
),

ordered as (
    select key from placed group by key order by min(place), key
)

select * from ordered
