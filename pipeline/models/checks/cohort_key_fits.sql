-- The cohort key has no more columns than stg_vans puts together.
-- severity: stop
-- remedy: Shorten cohort_key in fleet.toml.
with cohort_key as (
    select * from vocab.cohort_key
),

too_many as (
    select
        column_name,
        position
    from cohort_key
    where position > 7
)

select * from too_many
