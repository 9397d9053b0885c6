-- The typical value of a parameter in one operating state of a scan, and what the reader's own limits said.
-- A state that a person declared wins over the rules.
-- grain: one row per scan x parameter x state
-- key: scan_key, parameter, state
-- kind: table
-- partition_by: scan_month
-- narrow_by: scan_key
-- column value: median of the rows (the parameter's unit)
-- column value_min: lowest row (the parameter's unit)
-- column value_max: highest row (the parameter's unit)
-- column value_sd: standard deviation of the rows (the parameter's unit); null below two rows
-- column n_contradicted_rows: rows whose declared state the signals rule out
with readings as (
    select * from stg_readings
),

instants as (
    select * from int_instants
),

declared_states as (
    select * from int_declared_states
),

placed as (
    select
        readings.scan_month,
        readings.scan_key,
        readings.parameter,
        coalesce(readings.state_declared, instants.state) as state,
        readings.value,
        readings.low,
        readings.high,
        readings.mark,
        case
            when (instants.ruled_out & declared_states.rule_bits) = declared_states.rule_bits then instants.state
        end as state_instead
    from readings
    inner join instants
        on readings.scan_month = instants.scan_month
        and readings.scan_key = instants.scan_key
        and readings.instant_s = instants.instant_s
    left join declared_states on readings.state_declared = declared_states.state
),

summed as (
    select
        scan_key,
        parameter,
        state,
        median(value) as value,
        min(value) as value_min,
        max(value) as value_max,
        stddev_samp(value) as value_sd,
        count(*) as n_rows,
        median(low) as low,
        median(high) as high,
        count(case when low is not null or high is not null then 1 end) as n_with_limits,
        count(case when value > high then 1 end) as n_above_limit,
        count(case when value < low then 1 end) as n_below_limit,
        count(mark) as n_with_mark,
        count(case when mark = 'high' then 1 end) as n_marked_high,
        count(case when mark = 'low' then 1 end) as n_marked_low,
        count(case when mark = 'outside' then 1 end) as n_marked_outside,
        count(case when low is not null or high is not null or mark is not null then 1 end) as n_limit_rows,
        count(case when value > high or value < low or mark in ('high', 'low', 'outside') then 1 end)
            as n_outside_rows,
        count(state_instead) as n_contradicted_rows,
        max(state_instead) as state_instead,
        scan_month
    from placed
    group by scan_month, scan_key, parameter, state
)

select * from summed
