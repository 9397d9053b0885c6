-- Each van against its siblings month by month: the siblings' median level, moved by what they did in that month.
-- Scans of one month share what the siblings did in it, so they stand for one value. Only scans since the last work on
-- the part; no row where fewer than min_siblings siblings tell.
-- Vans and readings stand as the numbers that van_drifts gives them, so that a hundred thousand rows carry no text;
-- `kinbay export` writes the names beside them.
-- grain: one row per van x parameter x state x month
-- key: van_no, cell_no, scan_month
-- kind: view
-- column van_no: number of the van, as in van_drifts; other builds may give others
-- column cell_no: number of parameter and state, as in van_drifts; other builds may give others
-- column scan_month: first day of the month
-- column n_scans: scans of the van in that month
-- column day: their mean day (days since 2000-01-01)
-- column sibling_median: median of the siblings in that month, season, reader, updates and exposures taken off
--     (the parameter's unit)
-- column difference: mean of the van's values on the same footing less sibling_median (the parameter's unit)
-- column is_fallback: the siblings are the vans of all model years of the family
-- column n_siblings: siblings behind the median
with months as (
    select * from int_sibling_months
),

told as (
    select
        van_no,
        cell_no,
        scan_month,
        n_scans,
        day,
        sibling_median,
        difference,
        is_fallback,
        n_siblings
    from months
)

select * from told
