-- Each scan of a van against its siblings at the same time: the siblings' median level, moved by what they did in that
-- month. Only scans since the last work on the part; no row where fewer than min_siblings siblings tell.
-- grain: one row per van x scan x parameter x state
-- key: scan_key, parameter, state
-- kind: table
-- column reader_version: software of the reader
-- column value_compared: the scan's value less the effects of month, reader, reader's updates and exposures (the parameter's unit)
-- column sibling_median: median of the siblings at that time, on the same footing (the parameter's unit)
-- column difference: value_compared less sibling_median (the parameter's unit)
-- column is_fallback: the siblings are the vans of all model years of the family
-- column n_siblings: siblings behind the median
-- column epoch: pieces of work on that part before the scan
with followed as (
    select * from int_followed_scans
),

sibling_movements as (
    select * from int_sibling_movements
),

scans as (
    select * from stg_scans
),

settings as (
    select * from stg_settings
),

differences as (
    select
        followed.scan_key,
        followed.van,
        followed.cohort_id,
        followed.reader,
        scans.reader_version,
        followed.scanned_at,
        followed.scan_month,
        followed.parameter,
        followed.state,
        followed.value_compared,
        levels.sibling_value + movements.sibling_value as sibling_median,
        followed.value_compared - levels.sibling_value - movements.sibling_value as difference,
        movements.is_fallback,
        movements.n_siblings,
        followed.epoch
    from followed
    inner join sibling_movements as movements
        on followed.van = movements.van
        and followed.parameter = movements.parameter
        and followed.state = movements.state
        and followed.scan_month = movements.slot
    inner join sibling_movements as levels
        on followed.van = levels.van
        and followed.parameter = levels.parameter
        and followed.state = levels.state
        and levels.slot = date '1900-01-01'
    inner join scans
        on followed.scan_month = scans.scan_month and followed.scan_key = scans.scan_key
    cross join settings
    where followed.is_last_epoch and movements.n_siblings >= settings.min_siblings
)

select * from differences
