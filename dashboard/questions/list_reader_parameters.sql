-- One row per parameter and reader: scans that showed it, or none, and whether it is one value on every van.
with

decoded as (
    select
        reader,
        parameter,
        cast(sum(n_scans) as bigint) as n_scans
    from reader_coverage
    group by reader, parameter
),

readers as (
    select distinct reader from reader_coverage
),

known as (
    select distinct parameter from reader_coverage
),

joined as (
    select
        known.parameter,
        coalesce(parameters.name, known.parameter) as parameter_name,
        readers.reader,
        coalesce(decoded.n_scans, 0) as n_scans,
        undecoded_readings.value_least,
        undecoded_readings.n_vans as n_vans_one_value,
        parameters.unit,
        parameters.resolution,
        parameters.smallest_useful
    from known
    cross join readers
    left join decoded on known.parameter = decoded.parameter and readers.reader = decoded.reader
    left join undecoded_readings
        on known.parameter = undecoded_readings.parameter and readers.reader = undecoded_readings.reader
    left join parameters on known.parameter = parameters.parameter
    order by parameter_name, readers.reader
)

select * from joined
