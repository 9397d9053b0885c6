-- Readings that a reader shows as one and the same value on every van and in every state it was read in: not decoded
-- by that reader, or not carried by any of these vans. It is said of the reader and never of a van.
-- grain: one row per reader x parameter
-- key: reader, parameter
-- kind: table
-- column value_least: lowest row of all vans (the parameter's unit)
-- column value_most: highest row of all vans (the parameter's unit)
-- column n_vans: vans on which it was read with this reader
-- column n_scans: scans behind it
-- column n_vans_moving_elsewhere: vans on which another reader sees it move
with movement as (
    select * from reading_movement
),

physics as (
    select * from stg_physics
),

by_reader as (
    select
        reader,
        parameter,
        min(resolution) as resolution,
        min(value_least) as value_least,
        max(value_most) as value_most,
        count(*) as n_vans,
        cast(sum(n_scans) as bigint) as n_scans,
        cast(sum(n_steps + n_within) as bigint) as n_chances,
        min(first_seen) as first_seen,
        max(last_seen) as last_seen
    from movement
    group by reader, parameter
),

elsewhere as (
    select
        by_reader.reader,
        by_reader.parameter,
        count(distinct movement.van) as n_vans
    from by_reader
    inner join movement
        on by_reader.parameter = movement.parameter
        and by_reader.reader <> movement.reader
    where movement.n_moved_within + movement.n_moved_steps + movement.n_moved_gaps > 0
    group by by_reader.reader, by_reader.parameter
),

-- Without a second state or several rows a steady value may simply be right: a pressure difference with the engine off.
constant as (
    select
        by_reader.reader,
        by_reader.parameter,
        by_reader.value_least,
        by_reader.value_most,
        by_reader.n_vans,
        by_reader.n_scans,
        coalesce(elsewhere.n_vans, 0) as n_vans_moving_elsewhere,
        by_reader.first_seen,
        by_reader.last_seen
    from by_reader
    cross join physics
    left join elsewhere
        on by_reader.reader = elsewhere.reader and by_reader.parameter = elsewhere.parameter
    where by_reader.value_most - by_reader.value_least <= by_reader.resolution * 1.000001
        and by_reader.n_vans >= physics.undecoded_vans
        and by_reader.n_scans >= physics.undecoded_scans
        and date_diff('day', cast(by_reader.first_seen as date), cast(by_reader.last_seen as date))
        >= physics.undecoded_days
        and (by_reader.n_chances > 0 or coalesce(elsewhere.n_vans, 0) > 0)
)

select * from constant
