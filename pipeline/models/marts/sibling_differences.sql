-- Each van against its siblings month by month: the siblings' median level, moved by what they did in that month.
-- Scans of one month share what the siblings did in it, so they stand for one value. Only scans since the last work on
-- the part; no row where fewer than min_siblings siblings tell.
-- grain: one row per van x parameter x state x month
-- key: van, parameter, state, scan_month
-- kind: view
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
    select * from int_sibling_months
),

vans as (
    select * from int_numbered_vans
),

cells as (
    select * from int_cells
),

told as (
    select
        vans.van,
        vans.cohort_id,
        cells.parameter,
        cells.state,
        months.scan_month,
        months.n_scans,
        months.day,
        months.value_compared,
        months.sibling_median,
        months.difference,
        months.is_fallback,
        months.n_siblings
    from months
    inner join vans on months.van_no = vans.van_no
    inner join cells on months.cell_no = cells.cell_no
)

select * from told
