-- What a reader's software update did to a reading: how far vans moved that were read by it before and after, and how
-- far vans moved that other readers read over the same 120 days before and after.
-- grain: one row per reader x version x parameter x state with vans on both sides
-- key: reader, reader_version, parameter, state
-- kind: table
-- column reader_version: software the reader was updated to
-- column version_before: software it had before
-- column since: first scan with the new software (UTC)
-- column update_number: 1 for the reader's first update
-- column n_vans: vans read by this reader before and after
-- column moved: mean over them of after less before (the parameter's unit)
-- column moved_variance: sample variance of that
-- column n_vans_other: vans read by other readers before and after
-- column moved_other: mean over them of after less before (the parameter's unit)
-- column moved_other_variance: sample variance of that
with levels as (
    select * from adjusted_levels
),

scans as (
    select * from stg_scans
),

scored_parameters as (
    select parameter
    from vocab.parameters
    where role = 'health'
),

scored_states as (
    select state
    from vocab.states
    where is_comparable
),

versions as (
    select
        reader,
        reader_version,
        min(scanned_at) as since
    from scans
    where reader_version is not null
    group by reader, reader_version
),

in_order as (
    select
        versions.*,
        lag(reader_version) over (partition by reader order by since, reader_version) as version_before,
        row_number() over (partition by reader order by since, reader_version) - 1 as update_number
    from versions
),

updates as (
    select *
    from in_order
    where version_before is not null
),

moves as (
    select
        updates.reader,
        updates.reader_version,
        updates.version_before,
        updates.since,
        updates.update_number,
        levels.parameter,
        levels.state,
        levels.van,
        levels.reader = updates.reader as is_own,
        avg(levels.value_adjusted) filter (where levels.scanned_at >= updates.since)
        - avg(levels.value_adjusted) filter (where levels.scanned_at < updates.since) as moved
    from updates
    inner join levels
        on levels.scanned_at >= updates.since - interval '120' day
        and levels.scanned_at < updates.since + interval '120' day
    inner join scored_parameters on levels.parameter = scored_parameters.parameter
    inner join scored_states on levels.state = scored_states.state
    group by
        updates.reader, updates.reader_version, updates.version_before, updates.since, updates.update_number,
        levels.parameter, levels.state, levels.van, levels.reader = updates.reader
),

summed as (
    select
        reader,
        reader_version,
        min(version_before) as version_before,
        min(since) as since,
        min(update_number) as update_number,
        parameter,
        state,
        count(moved) filter (where is_own) as n_vans,
        avg(moved) filter (where is_own) as moved,
        var_samp(moved) filter (where is_own) as moved_variance,
        count(moved) filter (where not is_own) as n_vans_other,
        avg(moved) filter (where not is_own) as moved_other,
        var_samp(moved) filter (where not is_own) as moved_other_variance
    from moves
    where moved is not null
    group by reader, reader_version, parameter, state
)

select * from summed
