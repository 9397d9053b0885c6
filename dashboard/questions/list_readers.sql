-- One row per reader: scans and vans of the vans shown, readings it has ever shown, first and newest scan.
with

counted as (
    select
        reader,
        count(*) as n_scans,
        count(distinct van) as n_vans,
        min(scanned_at) as first_at,
        max(scanned_at) as last_at
    from scans
    where reader is not null and van in (select unnest(cast($vans as varchar[])))
    group by reader
),

decoded as (
    select
        reader,
        count(distinct parameter) as n_parameters
    from reader_coverage
    group by reader
),

joined as (
    select
        counted.reader,
        counted.n_vans,
        counted.n_scans,
        coalesce(decoded.n_parameters, 0) as n_parameters,
        counted.first_at,
        counted.last_at
    from counted
    left join decoded on counted.reader = decoded.reader
    order by counted.n_vans desc, counted.reader
)

select * from joined
