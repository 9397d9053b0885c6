-- Each van against its siblings month by month: the siblings' median level, moved by what they did in that month.
-- Scans of one month share what the siblings did in it, so they stand for one value. Only scans since the last work on
-- the part; no row where fewer than min_siblings siblings tell.
-- grain: one row per van x parameter x state x month
-- key: van, parameter, state, scan_month
-- kind: table
-- column scan_month: first day of the month
-- column n_scans: scans of the van in that month
-- column day: their mean day (days since 2000-01-01)
-- column value_compared: mean of the scans' values less the effects of month, reader, reader's updates and exposures
--     (the parameter's unit)
-- column sibling_median: median of the siblings in that month, on the same footing (the parameter's unit)
-- column difference: value_compared less sibling_median (the parameter's unit)
-- column is_fallback: the siblings are the vans of all model years of the family
-- column n_siblings: siblings behind the median
with months as (
    select * from int_followed_months
),

epochs as (
    select * from int_followed_epochs
),

sibling_movements as (
    select * from int_sibling_movements
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

settings as (
    select * from stg_settings
),

fleet as (
    select
        data_to,
        date_diff('day', cast('2000-01-01' as date), cast(data_to as date)) as last_day
    from int_fleet
),

differences as (
    select
        vans.van,
        vans.cohort_id,
        cells.parameter,
        cells.state,
        months.scan_month,
        months.n_scans,
        fleet.last_day - months.age_days as day,
        first_scans.scanned_at as first_seen,
        last_scans.scanned_at as last_seen,
        months.value_compared,
        levels.sibling_value + movements.sibling_value as sibling_median,
        months.value_compared - levels.sibling_value - movements.sibling_value as difference,
        movements.is_fallback,
        movements.n_siblings
    from months
    inner join epochs
        on months.van_no = epochs.van_no
        and months.cell_no = epochs.cell_no
        and months.epoch = epochs.epoch
        and epochs.is_last
    inner join sibling_movements as movements
        on months.van_no = movements.van_no
        and months.cell_no = movements.cell_no
        and months.scan_month = movements.slot
    inner join sibling_movements as levels
        on months.van_no = levels.van_no
        and months.cell_no = levels.cell_no
        and levels.slot = date '1900-01-01'
    inner join vans on months.van_no = vans.van_no
    inner join cells on months.cell_no = cells.cell_no
    inner join scans as first_scans on months.first_no = first_scans.scan_no
    inner join scans as last_scans on months.last_no = last_scans.scan_no
    cross join settings
    cross join fleet
    where movements.n_siblings >= settings.min_siblings
)

select * from differences
