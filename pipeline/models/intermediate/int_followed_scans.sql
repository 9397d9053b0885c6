-- Scan values that can be followed through time: what exposures add taken off too.
-- grain: one row per scan x parameter x state
-- key: scan_no, cell_no
-- kind: view
-- column scan_no: number of the scan
-- column van_no: number of the van
-- column reader_no: number of the reader
-- column cell_no: number of parameter and state
-- column value: the scan's value (the parameter's unit)
-- column value_compared: value less the effects of month, reader, reader's updates and exposures (the parameter's unit)
-- column is_linked: read by a reader that can be compared with those of most siblings
-- column epoch: pieces of work on that part before the scan
with compared as (
    select * from int_compared_scans
),

exposure_shifts as (
    select * from int_exposure_shifts
),

followed as (
    select
        compared.scan_no,
        compared.van_no,
        compared.reader_no,
        compared.cell_no,
        compared.value,
        compared.value_adjusted - coalesce(exposure_shifts.shift, 0) as value_compared,
        compared.is_linked,
        compared.epoch
    from compared
    left join exposure_shifts
        on compared.scan_no = exposure_shifts.scan_no and compared.cell_no = exposure_shifts.cell_no
)

select * from followed
