-- Scan values that can be followed through time: season, reader, its updates and exposures taken off, and how far each
-- lies from the middle of its van's own values since the last work on that part.
-- grain: one row per scan x parameter x state
-- key: scan_key, parameter, state
-- kind: table
-- column value_compared: value less the effects of month, reader, reader's updates and exposures (the parameter's unit)
-- column epoch: pieces of work on that part before the scan
-- column is_last_epoch: no work on that part came after the scan
-- column n_epoch_scans: scans of the van with that parameter and state in the same epoch
-- column level: median of value_compared over those scans (the parameter's unit)
-- column movement: value_compared less level (the parameter's unit)
with compared_scans as (
    select * from int_compared_scans
),

exposure_shifts as (
    select * from int_exposure_shifts
),

shifted as (
    select
        compared_scans.scan_key,
        compared_scans.van,
        compared_scans.cohort_id,
        compared_scans.family_id,
        compared_scans.reader,
        compared_scans.scanned_at,
        cast(date_trunc('month', compared_scans.scanned_at) as date) as scan_month,
        compared_scans.parameter,
        compared_scans.state,
        compared_scans.epoch,
        compared_scans.value_adjusted - coalesce(exposure_shifts.shift, 0) as value_compared
    from compared_scans
    left join exposure_shifts
        on compared_scans.van = exposure_shifts.van
        and compared_scans.parameter = exposure_shifts.parameter
        and compared_scans.state = exposure_shifts.state
        and cast(compared_scans.scanned_at as date) >= exposure_shifts.span_from
        and cast(compared_scans.scanned_at as date) < exposure_shifts.span_to
    where compared_scans.is_linked and compared_scans.value_adjusted is not null
),

epochs as (
    select
        van,
        parameter,
        state,
        epoch,
        count(*) as n_epoch_scans,
        median(value_compared) as level
    from shifted
    group by van, parameter, state, epoch
),

last_epochs as (
    select
        van,
        parameter,
        state,
        max(epoch) as epoch
    from epochs
    group by van, parameter, state
),

followed as (
    select
        shifted.scan_key,
        shifted.van,
        shifted.cohort_id,
        shifted.family_id,
        shifted.reader,
        shifted.scanned_at,
        shifted.scan_month,
        shifted.parameter,
        shifted.state,
        shifted.epoch,
        shifted.epoch = last_epochs.epoch as is_last_epoch,
        epochs.n_epoch_scans,
        shifted.value_compared,
        epochs.level,
        shifted.value_compared - epochs.level as movement
    from shifted
    inner join epochs
        on shifted.van = epochs.van
        and shifted.parameter = epochs.parameter
        and shifted.state = epochs.state
        and shifted.epoch = epochs.epoch
    inner join last_epochs
        on shifted.van = last_epochs.van
        and shifted.parameter = last_epochs.parameter
        and shifted.state = last_epochs.state
)

select * from followed
