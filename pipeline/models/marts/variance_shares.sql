-- Where the differences of a reading come from: the part of its variance within a model that model years, vans, readers
-- and exposures bring in, and the rest from scan to scan.
-- grain: one row per parameter x state x part
-- key: parameter, state, part
-- kind: view
-- column part: model_year, van, reader, exposure or rest
-- column share: part of the variance, 0 to 1; null where it cannot be told
-- column low: lower end of its 95 % interval
-- column high: upper end of its 95 % interval
-- column deviation: standard deviation that this part brings in (in unit)
-- column n_levels: model years of a model, vans, readers or exposures behind it
-- column n_vans: vans behind the estimate
-- column n_scans: scans behind the estimate
-- column reason: why it cannot be told, in plain words; null where it can
with shares as (
    select * from computed.variance_shares
),

columns_kept as (
    select
        parameter, state, unit, part, share, low, high, deviation, n_levels, n_vans, n_scans, reason
    from shares
)

select * from columns_kept
