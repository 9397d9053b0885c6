-- Each van against its siblings: how far off it stands or has moved, and how sure that is.
-- grain: one row per channel x van x parameter x state
-- key: channel, van, parameter, state
-- kind: view
-- column channel: level (where the van stands), change (how it moved against its own past), spread (how unsteady it
--     is within a scan, as a standard deviation) or step (how far it goes from one state to another within a scan)
-- column is_fallback: siblings were sought without the model year, too few being left with it
-- column value: the van's mean, its change, its typical spread or its step (in unit)
-- column expected: the siblings' mean, change, spread or step (in unit)
-- column difference: value less expected (in unit)
-- column interval_low: lower end of the difference's 95 % interval (in unit)
-- column interval_high: upper end of the difference's 95 % interval (in unit)
-- column score: t statistic against the siblings
-- column df: degrees of freedom of the score
-- column p: calibrated p-value
-- column q: p-value after Benjamini-Hochberg over the channel
-- column robust: stands out even if healthy siblings vary wildly
-- column is_small_group: scored against 3 or 4 siblings
-- column detectable: smallest difference that this cell could have shown (in unit)
-- column n_siblings: siblings with this cell
-- column n_clean: of those, siblings not suspect themselves
-- column n_vans: vans of the comparison, this one included
-- column n_scans: scans of this van that count
-- column n_scans_earlier: for a change, scans of its past that count
-- column sibling_median: median of the siblings (in unit)
-- column sibling_low: lower end of where a healthy sibling would fall, 95 % (in unit)
-- column sibling_high: upper end of where a healthy sibling would fall, 95 % (in unit)
-- column shrunken_difference: difference drawn towards none by its uncertainty, for display only (in unit)
-- column verdict: above, below, borderline, within or not_judged
-- column reason: why it was not judged, in plain words; null where it was
with scores as (
    select * from computed.sibling_scores
),

columns_kept as (
    select
        channel, van, cohort_id, is_fallback, parameter, state, unit,
        value, expected, difference, interval_low, interval_high,
        score, df, p, q, robust, is_small_group, detectable,
        n_siblings, n_clean, n_vans, n_scans, n_scans_earlier, first_seen, last_seen,
        sibling_median, sibling_low, sibling_high, shrunken_difference,
        tier, verdict, reason
    from scores
)

select * from columns_kept
