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
with compared as (
    select * from int_compared_scans
),

bounds as (
    select * from int_window_bounds
),

exposure_spans as (
    select * from int_exposure_spans
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

spans as (
    select distinct
        van,
        span_from,
        span_to
    from exposure_spans
),

spanned as (
    select
        scans.scan_no,
        spans.span_from
    from scans
    inner join spans
        on scans.van = spans.van
        and cast(scans.scanned_at as date) >= spans.span_from
        and cast(scans.scanned_at as date) < spans.span_to
),

summed as (
    select
        compared.van_no,
        spanned.span_from,
        compared.cell_no,
        avg(compared.value_adjusted) as y,
        count(*) as m,
        min(compared.scan_no) as first_no,
        max(compared.scan_no) as last_no
    from compared
    inner join bounds
        on compared.van_no = bounds.van_no
        and compared.cell_no = bounds.cell_no
        and compared.scan_no >= bounds.from_no
        and compared.scan_no <= bounds.to_no
    inner join spanned on compared.scan_no = spanned.scan_no
    where bounds.window_name = 'level' and compared.is_linked
    group by compared.van_no, spanned.span_from, compared.cell_no
),

means as (
    select
        vans.van,
        vans.cohort_id,
        summed.span_from,
        cells.parameter,
        cells.state,
        summed.y,
        summed.m,
        first_scans.scanned_at as first_at,
        last_scans.scanned_at as last_at
    from summed
    inner join vans on summed.van_no = vans.van_no
    inner join cells on summed.cell_no = cells.cell_no
    inner join scans as first_scans on summed.first_no = first_scans.scan_no
    inner join scans as last_scans on summed.last_no = last_scans.scan_no
    where vans.cohort_id is not null
)

select * from means
