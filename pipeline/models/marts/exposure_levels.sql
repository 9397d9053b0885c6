-- Where a van stood in one parameter and operating state while none of its exposures changed.
-- The scans are those of its level window, season and reader taken off, exposures not.
-- grain: one row per van x span x parameter x state
-- key: van, span_from, parameter, state
-- kind: table
-- column span_from: first day of the span; 0001-01-01 where it has no beginning
-- column y: mean of the adjusted scan values (the parameter's unit)
-- column m: scans behind it
-- column first_at: time of the first of them (UTC)
-- column last_at: time of the last of them (UTC)
with window_scans as (
    select * from int_window_scans
),

exposure_spans as (
    select * from int_exposure_spans
),

spans as (
    select distinct
        van,
        span_from,
        span_to
    from exposure_spans
),

means as (
    select
        window_scans.van,
        window_scans.cohort_id,
        spans.span_from,
        window_scans.parameter,
        window_scans.state,
        avg(window_scans.value_adjusted) as y,
        count(*) as m,
        min(window_scans.scanned_at) as first_at,
        max(window_scans.scanned_at) as last_at
    from window_scans
    inner join spans
        on window_scans.van = spans.van
        and cast(window_scans.scanned_at as date) >= spans.span_from
        and cast(window_scans.scanned_at as date) < spans.span_to
    where window_scans.window_name = 'level' and window_scans.is_linked and window_scans.cohort_id is not null
    group by
        window_scans.van, window_scans.cohort_id, spans.span_from, window_scans.parameter, window_scans.state
)

select * from means
