-- The values whose variance is shared out, summed up: season, exposures and readers' updates taken off, readers left in.
-- grain: one row per van x reader x parameter x state within the last level_days
-- key: van_no, reader_no, cell_no
-- kind: view
-- column van_no: number of the van
-- column cohort_no: number of the cohort
-- column family_no: number of the family
-- column reader_no: number of the reader
-- column cell_no: number of parameter and state
-- column value_mean: mean of the scans' values less the effects of month, exposures and readers' updates (the
--     parameter's unit)
-- column value_square: sum of the squares of the values' differences from it (the unit squared)
-- column exposure_mean: mean of what was taken off for exposures (the parameter's unit)
-- column exposure_square: sum of the squares of its differences from it (the unit squared)
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

-- Van and reader are the same all over a group, so they are joined to groups and not to scans.
summed as (
    select
        compared.van_no,
        compared.reader_no,
        compared.cell_no,
        count(*) as n_scans,
        avg(compared.value_adjusted - coalesce(exposure_shifts.shift, 0)) as value_mean,
        count(*) * var_pop(compared.value_adjusted - coalesce(exposure_shifts.shift, 0)) as value_square,
        avg(coalesce(exposure_shifts.shift, 0)) as exposure_mean,
        count(*) * var_pop(coalesce(exposure_shifts.shift, 0)) as exposure_square
    from compared
    inner join level_reach on compared.scan_no >= level_reach.from_no
    left join exposure_shifts
        on compared.scan_no = exposure_shifts.scan_no and compared.cell_no = exposure_shifts.cell_no
    group by compared.van_no, compared.reader_no, compared.cell_no
),

shared as (
    select
        summed.van_no,
        vans.cohort_no,
        vans.family_no,
        summed.reader_no,
        summed.cell_no,
        summed.n_scans,
        summed.value_mean + coalesce(reader_links.effect, 0) as value_mean,
        summed.value_square,
        summed.exposure_mean,
        summed.exposure_square
    from summed
    inner join vans on summed.van_no = vans.van_no
    inner join reader_links
        on summed.van_no = reader_links.van_no
        and summed.reader_no = reader_links.reader_no
        and summed.cell_no = reader_links.cell_no
    where vans.cohort_no is not null
)

select * from shared
