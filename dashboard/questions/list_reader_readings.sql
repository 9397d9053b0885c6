-- One row per reader and reading that it gives, with the state it is most often read in; the most read first.
with

read as (
    select
        reader,
        parameter,
        state,
        count(*) as n_scans
    from scan_levels
    group by reader, parameter, state
),

together as (
    select
        reader,
        parameter,
        arg_max(state, n_scans) as state,
        sum(n_scans) as n_scans
    from read
    group by reader, parameter
)

select * from together
order by reader, n_scans desc, parameter
