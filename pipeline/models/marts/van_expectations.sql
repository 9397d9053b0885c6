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
with scan_values as (
    select * from int_scan_values
),

worked_out_values as (
    select * from int_worked_out_values
),

scans as (
    select * from int_numbered_scans
),

vans as (
    select * from int_numbered_vans
),

expectations as (
    select * from vocab.expectations
),

settings as (
    select * from stg_settings
),

settled_states as (
    select distinct state from vocab.worked_out_states
),

asked as (
    select parameter from expectations
    union
    select expected_by as parameter from expectations
),

together as (
    select
        scan_key,
        parameter,
        state,
        value
    from scan_values
    union all
    select
        scan_key,
        parameter,
        state,
        value
    from worked_out_values
),

current_values as (
    select
        scans.scan_no,
        scans.van_no,
        together.parameter,
        together.state,
        together.value
    from together
    inner join asked on together.parameter = asked.parameter
    inner join settled_states on together.state = settled_states.state
    inner join scans on together.scan_key = scans.scan_key
    cross join settings
    where scans.age_days <= settings.level_days
),

pairs as (
    select
        measured.scan_no,
        measured.van_no,
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
    from current_values as measured
    inner join expectations on measured.parameter = expectations.parameter
    inner join current_values as expected
        on measured.scan_no = expected.scan_no
        and measured.state = expected.state
        and expected.parameter = expectations.expected_by
),

summed as (
    select
        van_no,
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
        min(scan_no) as first_no,
        max(scan_no) as last_no,
        min(says) as says
    from pairs
    where departure is not null
    group by van_no, parameter, state
),

judged as (
    select
        vans.van,
        vans.cohort_id,
        vans.family_id,
        summed.parameter,
        summed.state,
        summed.expected_by,
        summed.relation,
        summed.measured,
        summed.expected,
        summed.departure,
        summed.low,
        summed.high,
        summed.departure between summed.low and summed.high as is_plausible,
        summed.n_scans,
        first_scans.scanned_at as first_seen,
        last_scans.scanned_at as last_seen,
        summed.says
    from summed
    inner join vans on summed.van_no = vans.van_no
    inner join scans as first_scans on summed.first_no = first_scans.scan_no
    inner join scans as last_scans on summed.last_no = last_scans.scan_no
)

select * from judged
