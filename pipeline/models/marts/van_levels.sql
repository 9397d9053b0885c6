-- Where a van stands in one parameter and operating state: over the last year, of late, and before that.
-- Windows and what restarts them are described with int_window_bounds.
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
with means as (
    select * from int_window_means
),

scans as (
    select * from int_numbered_scans
),

vans as (
    select * from int_numbered_vans
),

known_cells as (
    select * from int_cells
),

part_work as (
    select * from int_part_work
),

fleet as (
    select * from int_fleet
),

summed as (
    select
        van_no,
        cell_no,
        window_name,
        sum(m * y) filter (where is_linked) / nullif(sum(m) filter (where is_linked), 0) as y,
        sum(m * y_raw) filter (where is_linked) / nullif(sum(m) filter (where is_linked), 0) as y_raw,
        coalesce(cast(sum(case when is_linked then m end) as bigint), 0) as m,
        min(first_no) filter (where is_linked) as first_no,
        max(last_no) filter (where is_linked) as last_no,
        count(*) filter (where is_linked) as n_readers,
        min(epoch) filter (where is_linked) as epoch,
        max(component) filter (where is_linked) as component,
        max(reaches_days) as reaches_days
    from means
    group by van_no, cell_no, window_name
),

-- Variance of all scans from that of each reader's: within them, and of their means.
scattered as (
    select
        means.van_no,
        means.cell_no,
        means.window_name,
        sum((means.m - 1) * coalesce(means.s2, 0) + means.m * (means.y - summed.y) * (means.y - summed.y))
        / nullif(max(summed.m) - 1, 0) as s2
    from means
    inner join summed
        on means.van_no = summed.van_no
        and means.cell_no = summed.cell_no
        and means.window_name = summed.window_name
    where means.is_linked
    group by means.van_no, means.cell_no, means.window_name
),

earlier as (
    select
        van_no,
        cell_no,
        last_no
    from summed
    where window_name = 'earlier'
),

cells as (
    select
        vans.van,
        vans.cohort_id,
        vans.family_id,
        known_cells.parameter,
        known_cells.state,
        summed.window_name,
        summed.y,
        summed.y_raw,
        summed.m,
        scattered.s2,
        first_scans.scanned_at as first_at,
        last_scans.scanned_at as last_at,
        earlier_scans.scanned_at as earlier_last_at,
        summed.n_readers,
        summed.epoch,
        summed.component,
        cast(cast(fleet.data_to as date) - cast(round(summed.reaches_days) as integer) as timestamp) as reaches_to
    from summed
    cross join fleet
    inner join vans on summed.van_no = vans.van_no
    inner join known_cells on summed.cell_no = known_cells.cell_no
    left join scattered
        on summed.van_no = scattered.van_no
        and summed.cell_no = scattered.cell_no
        and summed.window_name = scattered.window_name
    left join scans as first_scans on summed.first_no = first_scans.scan_no
    left join scans as last_scans on summed.last_no = last_scans.scan_no
    left join earlier on summed.van_no = earlier.van_no and summed.cell_no = earlier.cell_no
    left join scans as earlier_scans on earlier.last_no = earlier_scans.scan_no
),

described as (
    select
        cells.van,
        cells.cohort_id,
        cells.family_id,
        cells.parameter,
        cells.state,
        cells.window_name,
        cells.y,
        cells.y_raw,
        cells.m,
        cells.s2,
        cells.first_at,
        cells.last_at,
        cells.n_readers,
        greatest(cells.reaches_to, coalesce(part_work.at, cells.reaches_to)) as window_from,
        case
            when cells.window_name = 'recent' and part_work.at > coalesce(cells.earlier_last_at, cells.reaches_to)
                then part_work.description
            when cells.window_name <> 'recent' and part_work.at > cells.reaches_to then part_work.description
        end as reset_by,
        cells.m > 0 as is_reader_linked,
        cells.component
    from cells
    left join part_work
        on cells.van = part_work.van
        and cells.parameter = part_work.parameter
        and cells.epoch = part_work.work_number
)

select * from described
