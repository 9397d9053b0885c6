-- Whether a reading moves at all on a van: chances to move that it had, and how many it took, over the last level_days.
-- A chance is a state with several rows in one scan, a change of state within a scan, or two scans in a row in the
-- same state some days apart. It moved where the values differ by more than one step of the reading.
-- grain: one row per van x parameter x reader
-- key: van, parameter, reader
-- kind: table
-- column value_least: lowest row (the parameter's unit)
-- column value_most: highest row (the parameter's unit)
-- column resolution: one step of the reading (its unit)
-- column n_scans: scans behind it
-- column n_within: chances within a scan and state
-- column n_moved_within: of those, taken
-- column n_steps: chances between the states of a scan
-- column n_moved_steps: of those, taken
-- column n_gaps: chances between scans
-- column n_moved_gaps: of those, taken
with scan_values as (
    select * from int_numbered_values
),

scans as (
    select * from int_numbered_scans
),

vans as (
    select * from int_numbered_vans
),

cells as (
    select * from int_cells
),

known as (
    select * from vocab.parameters
),

settings as (
    select * from stg_settings
),

physics as (
    select * from stg_physics
),

measures as (
    select
        cells.cell_no,
        cells.parameter,
        min(cells.cell_no) over (partition by cells.parameter) as parameter_no,
        known.resolution,
        known.resolution * 1.000001 as least
    from cells
    inner join known on cells.parameter = known.parameter
),

-- The scan before by the same reader on the same van, which nearly always read the same.
scans_in_row as (
    select
        scans.scan_no,
        scans.van_no,
        scans.reader_no,
        scans.age_days,
        lag(scans.scan_no) over (partition by scans.van_no, scans.reader_no order by scans.scan_no) as before_no
    from scans
    cross join settings
    where scans.age_days <= settings.level_days
),

current_values as (
    select
        scan_values.scan_no,
        scans_in_row.before_no,
        scans_in_row.van_no,
        scans_in_row.reader_no,
        scans_in_row.age_days,
        scan_values.cell_no,
        scan_values.value,
        scan_values.value_min,
        scan_values.value_max,
        scan_values.n_rows,
        scan_values.step
    from scan_values
    inner join scans_in_row on scan_values.scan_no = scans_in_row.scan_no
    where not scan_values.is_worked_out
),

by_state as (
    select
        later.van_no,
        later.reader_no,
        later.cell_no,
        count(*) - count(earlier.scan_no) as n_without_before,
        min(later.value_min) as value_least,
        max(later.value_max) as value_most,
        count(case when later.n_rows >= physics.still_rows then 1 end) as n_within,
        count(case
            when later.n_rows >= physics.still_rows and later.value_max - later.value_min > measures.least then 1
        end) as n_moved_within,
        count(later.step) as n_steps,
        count(case when abs(later.step) > measures.least then 1 end) as n_moved_steps,
        count(case when earlier.age_days - later.age_days >= physics.still_gap_days then 1 end) as n_gaps,
        count(case
            when earlier.age_days - later.age_days >= physics.still_gap_days
                and abs(later.value - earlier.value) > measures.least
                then 1
        end) as n_moved_gaps
    from current_values as later
    inner join measures on later.cell_no = measures.cell_no
    cross join physics
    left join current_values as earlier
        on later.before_no = earlier.scan_no and later.cell_no = earlier.cell_no
    group by later.van_no, later.reader_no, later.cell_no
),

-- Only where a scan in between did not read it have the values to be put in order one by one.
with_holes as (
    select
        current_values.van_no,
        current_values.reader_no,
        current_values.cell_no,
        current_values.value,
        current_values.age_days,
        lag(current_values.value) over scans_of_cell as value_before,
        lag(current_values.age_days) over scans_of_cell as age_before
    from current_values
    inner join by_state
        on current_values.van_no = by_state.van_no
        and current_values.reader_no = by_state.reader_no
        and current_values.cell_no = by_state.cell_no
    where by_state.n_without_before > 1
    window scans_of_cell as (
        partition by current_values.van_no, current_values.reader_no, current_values.cell_no
        order by current_values.scan_no
    )
),

gaps_with_holes as (
    select
        with_holes.van_no,
        with_holes.reader_no,
        with_holes.cell_no,
        count(*) as n_gaps,
        count(case when abs(with_holes.value - with_holes.value_before) > measures.least then 1 end) as n_moved_gaps
    from with_holes
    inner join measures on with_holes.cell_no = measures.cell_no
    cross join physics
    where with_holes.age_before - with_holes.age_days >= physics.still_gap_days
    group by with_holes.van_no, with_holes.reader_no, with_holes.cell_no
),

-- A scan that read it in several states counts once.
scans_read as (
    select distinct
        current_values.van_no,
        current_values.reader_no,
        measures.parameter_no,
        current_values.scan_no
    from current_values
    inner join measures on current_values.cell_no = measures.cell_no
),

scan_counts as (
    select
        van_no,
        reader_no,
        parameter_no,
        count(*) as n_scans,
        min(scan_no) as first_no,
        max(scan_no) as last_no
    from scans_read
    group by van_no, reader_no, parameter_no
),

summed as (
    select
        by_state.van_no,
        by_state.reader_no,
        measures.parameter_no,
        min(measures.parameter) as parameter,
        min(measures.resolution) as resolution,
        min(by_state.value_least) as value_least,
        max(by_state.value_most) as value_most,
        cast(sum(by_state.n_within) as bigint) as n_within,
        cast(sum(by_state.n_moved_within) as bigint) as n_moved_within,
        cast(sum(by_state.n_steps) as bigint) as n_steps,
        cast(sum(by_state.n_moved_steps) as bigint) as n_moved_steps,
        cast(sum(coalesce(gaps_with_holes.n_gaps, by_state.n_gaps)) as bigint) as n_gaps,
        cast(sum(coalesce(gaps_with_holes.n_moved_gaps, by_state.n_moved_gaps)) as bigint) as n_moved_gaps
    from by_state
    inner join measures on by_state.cell_no = measures.cell_no
    left join gaps_with_holes
        on by_state.van_no = gaps_with_holes.van_no
        and by_state.reader_no = gaps_with_holes.reader_no
        and by_state.cell_no = gaps_with_holes.cell_no
    group by by_state.van_no, by_state.reader_no, measures.parameter_no
),

joined as (
    select
        vans.van,
        vans.cohort_id,
        summed.parameter,
        first_scans.reader,
        summed.resolution,
        summed.value_least,
        summed.value_most,
        scan_counts.n_scans,
        summed.n_within,
        summed.n_moved_within,
        summed.n_steps,
        summed.n_moved_steps,
        summed.n_gaps,
        summed.n_moved_gaps,
        first_scans.scanned_at as first_seen,
        last_scans.scanned_at as last_seen
    from summed
    inner join scan_counts
        on summed.van_no = scan_counts.van_no
        and summed.reader_no = scan_counts.reader_no
        and summed.parameter_no = scan_counts.parameter_no
    inner join vans on summed.van_no = vans.van_no
    inner join scans as first_scans on scan_counts.first_no = first_scans.scan_no
    inner join scans as last_scans on scan_counts.last_no = last_scans.scan_no
)

select * from joined
