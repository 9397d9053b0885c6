-- One row per two readers and reading: vans read by both within a day, and pairs of their scans.
with

counted as (
    select
        reader,
        other_reader,
        parameter,
        state,
        count(*) as n_pairs,
        count(distinct van) as n_vans
    from reader_pairs
    group by reader, other_reader, parameter, state
),

named as (
    select
        counted.reader,
        counted.other_reader,
        counted.parameter,
        counted.state,
        coalesce(parameters.name, counted.parameter) as parameter_name,
        coalesce(states.name, counted.state) as state_name,
        parameters.unit,
        parameters.resolution,
        parameters.smallest_useful,
        counted.n_pairs,
        counted.n_vans
    from counted
    left join parameters on counted.parameter = parameters.parameter
    left join states on counted.state = states.state
    order by counted.n_vans desc, counted.n_pairs desc, parameter_name, states.state_order
)

select * from named
