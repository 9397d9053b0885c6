-- One row per reader and module that this fleet's scans name, the most used first.
with

readers as (
    select
        'reader' as kind,
        reader as choice,
        count(*) as n_scans
    from scans
    group by reader
),

modules as (
    select
        'module' as kind,
        module as choice,
        count(*) as n_scans
    from scan_modules
    group by module
),

together as (
    select * from readers
    union all
    select * from modules
)

select * from together
order by kind, n_scans desc, choice
