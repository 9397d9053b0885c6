-- What is taken off a scan for the van's exposures at that time, as far as they were found to move the reading.
-- grain: one row per scan x parameter x state that is shifted
-- key: scan_no, cell_no
-- kind: table
-- column scan_no: number of the scan
-- column cell_no: number of parameter and state
-- column shift: sum of the effects of the levels that hold (the parameter's unit)
with effects as (
    select * from computed.exposure_effects
),

spans as (
    select * from int_exposure_spans
),

scans as (
    select * from int_numbered_scans
),

cells as (
    select * from int_cells
),

shifts as (
    select
        scans.scan_no,
        cells.cell_no,
        sum(effects.effect) as shift
    from effects
    inner join cells on effects.parameter = cells.parameter and effects.state = cells.state
    inner join spans on effects.attribute = spans.attribute and effects.level = spans.level
    inner join scans
        on spans.van = scans.van
        and cast(scans.scanned_at as date) >= spans.span_from
        and cast(scans.scanned_at as date) < spans.span_to
    where effects.effect <> 0
    group by scans.scan_no, cells.cell_no
)

select * from shifts
