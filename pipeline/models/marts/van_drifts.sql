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
-- column step_low: lower end of its 95 % interval (in unit); null with too few months
-- column step_high: upper end of its 95 % interval (in unit); null with too few months
-- column step_end: mean difference from the siblings after it (in unit)
-- column has_left: the line stands outside the siblings' range already
-- column leaves_at: when the line would leave it; null where it would not within ten years
-- column leaves_from: the same at the steepest slope of the interval
-- column leaves_to: the same at the flattest; null where it would not within ten years
with drifts as (
    select * from computed.van_drifts
),

scores as (
    select * from computed.sibling_scores
),

ranges as (
    select
        van, parameter, state,
        sibling_low - sibling_median as range_low,
        sibling_high - sibling_median as range_high
    from scores
    where channel = 'level' and sibling_low is not null
),

-- What is left of the range on the side a slope moves to, at the slope and at the ends of its interval.
rooms as (
    select
        drifts.*,
        drifts.sibling_median + ranges.range_low as sibling_low,
        drifts.sibling_median + ranges.range_high as sibling_high,
        ranges.range_high - drifts.end_value as room_above,
        drifts.end_value - ranges.range_low as room_below,
        case when drifts.slope > 0 then drifts.slope_high else drifts.slope_low end as steepest,
        case when drifts.slope > 0 then drifts.slope_low else drifts.slope_high end as flattest
    from drifts
    left join ranges
        on drifts.van = ranges.van
        and drifts.parameter = ranges.parameter
        and drifts.state = ranges.state
        and drifts.slope is not null
),

-- Months from the last scan, none or less where the line is outside; null where it does not move, or where a slope of
-- the interval moves back.
times as (
    select
        *,
        case when slope > 0 then room_above else room_below end / nullif(abs(slope), 0) as months_at,
        case when steepest > 0 then room_above else room_below end / nullif(abs(steepest), 0) as months_from,
        case
            when sign(flattest) = sign(slope)
                then case when slope > 0 then room_above else room_below end / nullif(abs(flattest), 0)
        end as months_to
    from rooms
),

-- To the hour, finer than is known anyway; no date is told beyond ten years, nor of a line that is outside.
columns_kept as (
    select
        van, cohort_id, parameter, state, van_no, cell_no, unit, n_scans, n_months, n_siblings, is_fallback, first_seen, last_seen,
        months, slope, slope_low, slope_high, difference, interval_low, interval_high, start_value, end_value,
        sibling_median, sibling_low, sibling_high, serial_correlation, healthy_scatter, score, df, p, rank_p, q,
        detectable, tier, reason, is_step, step_at, step_size, step_low, step_high, step_end,
        case when slope is not null then coalesce(months_at <= 0, false) end as has_left,
        case
            when months_at > 0 and months_at <= 120
                then last_seen + cast(round(months_at * 730.5) as bigint) * interval '1' hour
        end as leaves_at,
        case
            when coalesce(months_at, 1) > 0 and months_from <= 120
                then last_seen + cast(round(greatest(months_from, 0) * 730.5) as bigint) * interval '1' hour
        end as leaves_from,
        case
            when months_at > 0 and months_to <= 120
                then last_seen + cast(round(months_to * 730.5) as bigint) * interval '1' hour
        end as leaves_to
    from times
)

select * from columns_kept
