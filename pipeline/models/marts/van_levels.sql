-- Where a van stands in one parameter and operating state: over the last year, of late, and before that.
-- Windows and what restarts them are described with int_window_scans.
-- grain: one row per van x parameter x state x window
-- key: van, parameter, state, window_name
-- kind: table
-- column window_name: level, recent or earlier
-- column y: mean of the scan values, season, reader and exposures taken off (the parameter's unit); null where no
--     scan counts
-- column y_raw: mean of the scan values as read (the parameter's unit); null where no scan counts
-- column m: scans that count
-- column s2: sample variance of the adjusted scan values (the parameter's unit squared); null below two scans
-- column first_at: time of the first scan that counts (UTC)
-- column last_at: time of the last scan that counts (UTC)
-- column n_readers: readers behind the scans that count
-- column window_from: beginning of the window (UTC)
-- column reset_by: the work the window begins after, in words (recent: work that lies between it and earlier)
-- column is_reader_linked: false where only readers were used that share no van with most siblings' readers
-- column component: readers that are compared through vans they share; null where no reader effect was estimated
with window_scans as (
    select * from int_window_scans
),

exposure_shifts as (
    select * from int_exposure_shifts
),

part_work as (
    select * from int_part_work
),

fleet as (
    select * from int_fleet
),

shifted as (
    select
        window_scans.*,
        window_scans.value_adjusted - coalesce(exposure_shifts.shift, 0) as value_compared
    from window_scans
    left join exposure_shifts
        on window_scans.van = exposure_shifts.van
        and window_scans.parameter = exposure_shifts.parameter
        and window_scans.state = exposure_shifts.state
        and cast(window_scans.scanned_at as date) >= exposure_shifts.span_from
        and cast(window_scans.scanned_at as date) < exposure_shifts.span_to
),

cells as (
    select
        van,
        cohort_id,
        family_id,
        parameter,
        state,
        window_name,
        avg(value_compared) filter (where is_linked) as y,
        avg(value) filter (where is_linked) as y_raw,
        count(*) filter (where is_linked) as m,
        var_samp(value_compared) filter (where is_linked) as s2,
        min(scanned_at) filter (where is_linked) as first_at,
        max(scanned_at) filter (where is_linked) as last_at,
        count(distinct case when is_linked then reader end) as n_readers,
        min(epoch) filter (where is_linked) as epoch,
        max(component) filter (where is_linked) as component,
        max(reaches_days) as reaches_days
    from shifted
    group by van, cohort_id, family_id, parameter, state, window_name
),

dated as (
    select
        cells.*,
        max(case when cells.window_name = 'earlier' then cells.last_at end) over (
            partition by cells.van, cells.parameter, cells.state
        ) as earlier_last_at,
        cast(cast(fleet.data_to as date) - cast(round(cells.reaches_days) as integer) as timestamp) as reaches_to
    from cells
    cross join fleet
),

described as (
    select
        dated.van,
        dated.cohort_id,
        dated.family_id,
        dated.parameter,
        dated.state,
        dated.window_name,
        dated.y,
        dated.y_raw,
        dated.m,
        dated.s2,
        dated.first_at,
        dated.last_at,
        dated.n_readers,
        greatest(dated.reaches_to, coalesce(part_work.at, dated.reaches_to)) as window_from,
        case
            when dated.window_name = 'recent' and part_work.at > coalesce(dated.earlier_last_at, dated.reaches_to)
                then part_work.description
            when dated.window_name <> 'recent' and part_work.at > dated.reaches_to then part_work.description
        end as reset_by,
        dated.m > 0 as is_reader_linked,
        dated.component
    from dated
    left join part_work
        on dated.van = part_work.van
        and dated.parameter = part_work.parameter
        and dated.epoch = part_work.work_number
)

select * from described
