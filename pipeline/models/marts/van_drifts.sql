-- How each van moves away from its siblings over time: slope a month, how sure it is, and when it would leave their
-- range.
-- grain: one row per van x parameter x state with siblings to be followed against
-- key: van, parameter, state
-- kind: view
-- column van_no: number of the van in sibling_differences; other builds may give others
-- column cell_no: number of parameter and state in sibling_differences; other builds may give others
-- column n_scans: scans of this van since the last work on the part
-- column n_months: months with a scan; one value a month is used
-- column n_siblings: siblings behind the monthly medians (their middle number)
-- column is_fallback: held against all model years of the family, its own having too few vans
-- column months: time from the first to the last value (months)
-- column slope: median of the slopes between all pairs of months (unit a month)
-- column slope_low: lower end of its 95 % interval (unit a month)
-- column slope_high: upper end of its 95 % interval (unit a month)
-- column difference: drift over the whole time, slope x months (in unit)
-- column interval_low: lower end of its 95 % interval (in unit)
-- column interval_high: upper end of its 95 % interval (in unit)
-- column start_value: where the line begins, against the siblings (in unit)
-- column end_value: where the line ends, against the siblings (in unit)
-- column sibling_median: median of the siblings in the last month (in unit)
-- column sibling_low: lower end of where a healthy sibling would fall, 95 % (in unit)
-- column sibling_high: upper end of where a healthy sibling would fall, 95 % (in unit)
-- column serial_correlation: correlation of one month with the next, as the vans of this reading show it
-- column healthy_scatter: variance of the slopes of this reading's vans over what their months' scatter explains
-- column score: slope over its error, variance borrowed from all vans of the reading
-- column df: degrees of freedom of score; null where one variance holds for all
-- column p: two-sided p-value
-- column rank_p: two-sided p-value of the order of the van's own months (Mann and Kendall)
-- column q: p after Benjamini-Hochberg over all vans and readings followed, the states of a reading being one matter
-- column detectable: smallest drift over this time that could have been shown (in unit)
-- column reason: why it was not followed, in plain words; null where it was
-- column is_step: one step describes the values better than a slope
-- column step_at: first scan after the likeliest step (UTC)
-- column step_size: mean after less mean before it (in unit)
-- column has_left: the line stands outside the siblings' range already
-- column leaves_at: when the line would leave it; null where it would not within ten years
-- column leaves_from: the same at the steepest slope of the interval
-- column leaves_to: the same at the flattest; null where it would not within ten years
with drifts as (
    select * from computed.van_drifts
),

vans as (
    select * from int_numbered_vans
),

cells as (
    select * from int_cells
),

numbered as (
    select
        drifts.van, drifts.cohort_id, drifts.parameter, drifts.state, vans.van_no, cells.cell_no, drifts.unit,
        drifts.n_scans, drifts.n_months, drifts.n_siblings, drifts.is_fallback, drifts.first_seen, drifts.last_seen,
        drifts.months, drifts.slope, drifts.slope_low, drifts.slope_high, drifts.difference, drifts.interval_low,
        drifts.interval_high, drifts.start_value, drifts.end_value, drifts.sibling_median, drifts.sibling_low,
        drifts.sibling_high, drifts.serial_correlation, drifts.healthy_scatter, drifts.score, drifts.df, drifts.p,
        drifts.rank_p, drifts.q, drifts.detectable, drifts.tier, drifts.reason, drifts.is_step, drifts.step_at,
        drifts.step_size, drifts.has_left, drifts.leaves_at, drifts.leaves_from, drifts.leaves_to
    from drifts
    inner join vans on drifts.van = vans.van
    inner join cells on drifts.parameter = cells.parameter and drifts.state = cells.state
)

select * from numbered
