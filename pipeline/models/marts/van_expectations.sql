-- What was read on a van beside what physics or the control unit itself expects of it, over the last level_days:
-- air mass against speed-density, barometer against height, rail pressure against its target and the like.
-- What is held against what, and within which bounds, stands in the vocabulary (expectations).
-- grain: one row per van x parameter x state
-- key: van, parameter, state
-- kind: table
-- column expected_by: the reading that tells what to expect
-- column relation: ratio (read over expected) or difference (read less expected)
-- column measured: median of what was read (the parameter's unit)
-- column expected: median of what was expected in the same scans (the parameter's unit)
-- column departure: median ratio or difference of the scans
-- column low: least departure that is plausible
-- column high: greatest departure that is plausible
-- column is_plausible: the departure lies within these bounds
-- column n_scans: scans in which both are known
-- column says: what is expected, in words
with levels as (
    select * from scan_levels
),

expectations as (
    select * from vocab.expectations
),

months as (
    select * from int_window_months
),

settings as (
    select * from stg_settings
),

fleet as (
    select * from int_fleet
),

settled_states as (
    select distinct state from vocab.worked_out_states
),

current_levels as (
    select
        levels.scan_month,
        levels.scan_key,
        levels.van,
        levels.cohort_id,
        levels.family_id,
        levels.scanned_at,
        levels.parameter,
        levels.state,
        levels.value
    from levels
    inner join months on levels.scan_month = months.scan_month and months.in_level
    cross join fleet
    cross join settings
    where levels.scanned_at <= fleet.data_to
        and date_diff('day', cast(levels.scanned_at as date), cast(fleet.data_to as date)) <= settings.level_days
),

pairs as (
    select
        measured.van,
        measured.cohort_id,
        measured.family_id,
        measured.scanned_at,
        measured.parameter,
        measured.state,
        expectations.expected_by,
        expectations.relation,
        expectations.low,
        expectations.high,
        expectations.says,
        measured.value as measured,
        case
            when expectations.relation = 'ratio' then expected.value
            else measured.value - expected.value
        end as expected,
        case
            when expectations.relation = 'ratio' then measured.value / nullif(expected.value, 0)
            else expected.value
        end as departure
    from current_levels as measured
    inner join settled_states on measured.state = settled_states.state
    inner join expectations on measured.parameter = expectations.parameter
    inner join current_levels as expected
        on measured.scan_month = expected.scan_month
        and measured.scan_key = expected.scan_key
        and measured.state = expected.state
        and expected.parameter = expectations.expected_by
),

summed as (
    select
        van,
        min(cohort_id) as cohort_id,
        min(family_id) as family_id,
        parameter,
        state,
        min(expected_by) as expected_by,
        min(relation) as relation,
        median(measured) as measured,
        median(expected) as expected,
        median(departure) as departure,
        min(low) as low,
        min(high) as high,
        count(*) as n_scans,
        min(scanned_at) as first_seen,
        max(scanned_at) as last_seen,
        min(says) as says
    from pairs
    where departure is not null
    group by van, parameter, state
),

judged as (
    select
        van,
        cohort_id,
        family_id,
        parameter,
        state,
        expected_by,
        relation,
        measured,
        expected,
        departure,
        low,
        high,
        departure between low and high as is_plausible,
        n_scans,
        first_seen,
        last_seen,
        says
    from summed
)

select * from judged
