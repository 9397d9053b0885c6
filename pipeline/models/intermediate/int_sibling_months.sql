-- Each van against its siblings month by month, as numbers: the siblings' median level, moved by what they did in that
-- month. Only scans since the last work on the part; no row where fewer than min_siblings siblings tell.
-- grain: one row per van x parameter x state x month
-- key: van_no, cell_no, scan_month
-- kind: table
-- column van_no: number of the van
-- column cell_no: number of parameter and state
-- column n_scans: scans of the van in that month
-- column first_no: number of the first of them
-- column last_no: number of the last of them
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
        months.van_no,
        months.cell_no,
        months.scan_month,
        months.n_scans,
        months.first_no,
        months.last_no,
        fleet.last_day - months.age_days as day,
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
    cross join settings
    cross join fleet
    where movements.n_siblings >= settings.min_siblings
)

select * from differences
