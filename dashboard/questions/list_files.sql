-- One row per loaded file and table, newest first.
with

loaded as (
    select
        file,
        layout,
        table_name,
        loaded_at,
        taken,
        duplicates,
        rejected
    from files
    order by loaded_at desc, file, table_name
)

select * from loaded
