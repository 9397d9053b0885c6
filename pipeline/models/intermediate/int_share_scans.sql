-- The scan values whose variance is shared out: season, exposures and readers' updates taken off, readers left in.
-- grain: one row per scan x parameter x state within the last level_days
-- key: scan_no, cell_no
-- kind: view
-- column scan_no: number of the scan
-- column van_no: number of the van
-- column cohort_no: number of the cohort
-- column family_no: number of the family
-- column reader_no: number of the reader
-- column cell_no: number of parameter and state
-- column value_shared: value less the effects of month, exposures and readers' updates (the parameter's unit)
-- column exposure_shift: what was taken off for exposures (the parameter's unit)
with compared as (
    select * from int_compared_scans
),

exposure_shifts as (
    select * from int_exposure_shifts
),

reader_links as (
    select * from int_reader_links
),

scans as (
    select * from int_numbered_scans
),

vans as (
    select * from int_numbered_vans
),

settings as (
    select * from stg_settings
),

level_reach as (
    select min(scans.scan_no) as from_no
    from scans
    cross join settings
    where scans.age_days <= settings.level_days
),

shared as (
    select
        compared.scan_no,
        compared.van_no,
        vans.cohort_no,
        vans.family_no,
        compared.reader_no,
        compared.cell_no,
        compared.value_adjusted + coalesce(reader_links.effect, 0) - coalesce(exposure_shifts.shift, 0) as value_shared,
        coalesce(exposure_shifts.shift, 0) as exposure_shift
    from compared
    inner join level_reach on compared.scan_no >= level_reach.from_no
    inner join vans on compared.van_no = vans.van_no
    inner join reader_links
        on compared.van_no = reader_links.van_no
        and compared.reader_no = reader_links.reader_no
        and compared.cell_no = reader_links.cell_no
    left join exposure_shifts
        on compared.scan_no = exposure_shifts.scan_no and compared.cell_no = exposure_shifts.cell_no
    where vans.cohort_no is not null
)

select * from shared
