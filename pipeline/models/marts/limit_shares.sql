-- How many vans of a cohort stand outside the limits that a reader shows, marks, or is said to have.
-- A van is outside where most of its scans are, a scan where most of its rows are. Judged at warm idle unless
-- the limit names a state, over the last level_days.
-- grain: one row per cohort x parameter x state x reader x source x limit
-- kind: table
-- column reader: the reader that shows the limit; null where the limit is for every reader
-- column source: row (limits beside the readings), mark (the reader's mark alone) or table (a limits file)
-- column low: lower limit (the parameter's unit), the median where it varied; null for marks
-- column high: upper limit (the parameter's unit), the median where it varied; null for marks
-- column n_vans: vans judged
-- column n_vans_outside: of those, vans outside
-- column n_above: vans outside above
-- column n_below: vans outside below
-- column n_scans: scans behind it
with scans as (
    select * from int_numbered_scans
),

vans as (
    select * from int_numbered_vans
),

limits as (
    select * from stg_limits
),

settings as (
    select * from stg_settings
),

current_scans as (
    select
        scans.scan_month,
        scans.scan_key,
        scans.van,
        scans.reader,
        scans.scanned_at,
        vans.cohort_id
    from scans
    inner join vans on scans.van_no = vans.van_no and vans.cohort_no is not null
    cross join settings
    where scans.age_days <= settings.level_days
),

-- Few values come with a limit or a mark: each way of judging picks its own before anything is joined.
judged_by_rows as (
    select
        current_scans.cohort_id,
        current_scans.van,
        scan_values.parameter,
        scan_values.state,
        current_scans.reader,
        'row' as source,
        scan_values.low,
        scan_values.high,
        current_scans.scanned_at,
        scan_values.n_above_limit * 2 > scan_values.n_with_limits as is_above,
        scan_values.n_below_limit * 2 > scan_values.n_with_limits as is_below,
        (scan_values.n_above_limit + scan_values.n_below_limit) * 2 > scan_values.n_with_limits as is_outside
    from int_scan_values as scan_values
    inner join current_scans
        on scan_values.scan_month = current_scans.scan_month
        and scan_values.scan_key = current_scans.scan_key
    where scan_values.state = 'warm_idle' and scan_values.n_with_limits > 0
),

judged_by_marks as (
    select
        current_scans.cohort_id,
        current_scans.van,
        scan_values.parameter,
        scan_values.state,
        current_scans.reader,
        'mark' as source,
        cast(null as double) as low,
        cast(null as double) as high,
        current_scans.scanned_at,
        scan_values.n_marked_high * 2 > scan_values.n_with_mark as is_above,
        scan_values.n_marked_low * 2 > scan_values.n_with_mark as is_below,
        (scan_values.n_marked_high + scan_values.n_marked_low + scan_values.n_marked_outside) * 2
        > scan_values.n_with_mark as is_outside
    from int_scan_values as scan_values
    inner join current_scans
        on scan_values.scan_month = current_scans.scan_month
        and scan_values.scan_key = current_scans.scan_key
    where scan_values.state = 'warm_idle' and scan_values.n_with_mark > 0
),

judged_by_table as (
    select
        current_scans.cohort_id,
        current_scans.van,
        scan_values.parameter,
        scan_values.state,
        limits.reader,
        'table' as source,
        limits.low,
        limits.high,
        current_scans.scanned_at,
        coalesce(scan_values.value > limits.high, false) as is_above,
        coalesce(scan_values.value < limits.low, false) as is_below,
        coalesce(scan_values.value > limits.high, false)
        or coalesce(scan_values.value < limits.low, false) as is_outside
    from int_scan_values as scan_values
    inner join limits
        on scan_values.parameter = limits.parameter
        and scan_values.state = coalesce(limits.state, 'warm_idle')
    inner join current_scans
        on scan_values.scan_month = current_scans.scan_month
        and scan_values.scan_key = current_scans.scan_key
        and (limits.reader is null or current_scans.reader = limits.reader)
),

-- A table may hold several limits for one reading; each is judged by itself.
judged as (
    select
        judged_by_rows.*,
        cast(null as double) as table_low,
        cast(null as double) as table_high
    from judged_by_rows
    union all
    select
        judged_by_marks.*,
        cast(null as double) as table_low,
        cast(null as double) as table_high
    from judged_by_marks
    union all
    select
        judged_by_table.*,
        judged_by_table.low as table_low,
        judged_by_table.high as table_high
    from judged_by_table
),

vans_judged as (
    select
        cohort_id,
        parameter,
        state,
        reader,
        source,
        table_low,
        table_high,
        van,
        median(low) as low,
        median(high) as high,
        count(*) as n_scans,
        count(case when is_outside then 1 end) * 2 > count(*) as is_outside,
        count(case when is_above then 1 end) as n_above,
        count(case when is_below then 1 end) as n_below,
        min(scanned_at) as first_seen,
        max(scanned_at) as last_seen
    from judged
    group by cohort_id, parameter, state, reader, source, table_low, table_high, van
),

shares as (
    select
        cohort_id,
        parameter,
        state,
        reader,
        source,
        median(low) as low,
        median(high) as high,
        count(*) as n_vans,
        count(case when is_outside then 1 end) as n_vans_outside,
        count(case when is_outside and n_above > n_below then 1 end) as n_above,
        count(case when is_outside and n_below > n_above then 1 end) as n_below,
        cast(sum(n_scans) as bigint) as n_scans,
        min(first_seen) as first_seen,
        max(last_seen) as last_seen
    from vans_judged
    group by cohort_id, parameter, state, reader, source, table_low, table_high
)

select * from shares
