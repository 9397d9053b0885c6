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
    select * from int_scan_values
),

scans as (
    select * from stg_scans
),

vans_registered as (
    select * from stg_vans
),

known as (
    select * from vocab.parameters
),

states_known as (
    select * from vocab.states
),

state_steps as (
    select * from vocab.state_steps
),

settings as (
    select * from stg_settings
),

physics as (
    select * from stg_physics
),

fleet as (
    select * from int_fleet
),

current_values as (
    select
        scan_values.scan_key,
        scans.van,
        scans.reader,
        scans.scanned_at,
        scan_values.parameter,
        scan_values.state,
        scan_values.value,
        scan_values.value_min,
        scan_values.value_max,
        scan_values.n_rows,
        known.resolution,
        known.resolution * 1.000001 as step
    from scan_values
    inner join scans
        on scan_values.scan_month = scans.scan_month and scan_values.scan_key = scans.scan_key
    inner join known on scan_values.parameter = known.parameter and known.role = 'health'
    inner join states_known on scan_values.state = states_known.state and states_known.is_comparable
    cross join fleet
    cross join settings
    where scans.scanned_at <= fleet.data_to
        and date_diff('day', cast(scans.scanned_at as date), cast(fleet.data_to as date)) <= settings.level_days
),

in_order as (
    select
        current_values.*,
        lag(value) over scans_in_row as value_before,
        lag(scanned_at) over scans_in_row as scanned_before
    from current_values
    window scans_in_row as (partition by van, parameter, reader, state order by scanned_at, scan_key)
),

within_and_between as (
    select
        in_order.van,
        in_order.parameter,
        in_order.reader,
        min(in_order.resolution) as resolution,
        min(in_order.value_min) as value_least,
        max(in_order.value_max) as value_most,
        count(distinct in_order.scan_key) as n_scans,
        count(case when in_order.n_rows >= physics.still_rows then 1 end) as n_within,
        count(case
            when in_order.n_rows >= physics.still_rows and in_order.value_max - in_order.value_min > in_order.step
                then 1
        end) as n_moved_within,
        count(case
            when date_diff('day', cast(in_order.scanned_before as date), cast(in_order.scanned_at as date))
                >= physics.still_gap_days
                then 1
        end) as n_gaps,
        count(case
            when date_diff('day', cast(in_order.scanned_before as date), cast(in_order.scanned_at as date))
                >= physics.still_gap_days
                and abs(in_order.value - in_order.value_before) > in_order.step
                then 1
        end) as n_moved_gaps,
        min(in_order.scanned_at) as first_seen,
        max(in_order.scanned_at) as last_seen
    from in_order
    cross join physics
    group by in_order.van, in_order.parameter, in_order.reader
),

steps as (
    select
        later.van,
        later.parameter,
        later.reader,
        count(*) as n_steps,
        count(case when abs(later.value - earlier.value) > later.step then 1 end) as n_moved_steps
    from current_values as later
    inner join state_steps on later.state = state_steps.state
    inner join current_values as earlier
        on later.scan_key = earlier.scan_key
        and later.parameter = earlier.parameter
        and earlier.state = state_steps.from_state
    group by later.van, later.parameter, later.reader
),

joined as (
    select
        within_and_between.van,
        vans_registered.cohort_id,
        within_and_between.parameter,
        within_and_between.reader,
        within_and_between.resolution,
        within_and_between.value_least,
        within_and_between.value_most,
        within_and_between.n_scans,
        within_and_between.n_within,
        within_and_between.n_moved_within,
        coalesce(steps.n_steps, 0) as n_steps,
        coalesce(steps.n_moved_steps, 0) as n_moved_steps,
        within_and_between.n_gaps,
        within_and_between.n_moved_gaps,
        within_and_between.first_seen,
        within_and_between.last_seen
    from within_and_between
    left join steps
        on within_and_between.van = steps.van
        and within_and_between.parameter = steps.parameter
        and within_and_between.reader = steps.reader
    left join vans_registered on within_and_between.van = vans_registered.van
)

select * from joined
