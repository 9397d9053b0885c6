-- One row per channel and reading of one van, those that stand out first.
with

cells as (
    select
        sibling_scores.channel,
        sibling_scores.parameter,
        sibling_scores.state,
        coalesce(parameters.name, sibling_scores.parameter) as parameter_name,
        coalesce(states.name, sibling_scores.state) as state_name,
        coalesce(states.state_order, 999) as state_order,
        parameters.resolution,
        parameters.smallest_useful,
        sibling_scores.unit,
        sibling_scores.value,
        sibling_scores.expected,
        sibling_scores.difference,
        sibling_scores.interval_low,
        sibling_scores.interval_high,
        sibling_scores.score,
        sibling_scores.p,
        sibling_scores.q,
        sibling_scores.robust,
        sibling_scores.is_small_group,
        sibling_scores.is_fallback,
        sibling_scores.detectable,
        sibling_scores.n_siblings,
        sibling_scores.n_scans,
        sibling_scores.n_scans_earlier,
        sibling_scores.first_seen,
        sibling_scores.last_seen,
        sibling_scores.sibling_median,
        sibling_scores.sibling_low,
        sibling_scores.sibling_high,
        sibling_scores.tier,
        sibling_scores.verdict,
        sibling_scores.reason
    from sibling_scores
    left join parameters on sibling_scores.parameter = parameters.parameter
    left join states on sibling_scores.state = states.state
    where sibling_scores.van = $van
    order by
        sibling_scores.verdict = 'not_judged',
        coalesce(sibling_scores.p, 1),
        parameter_name,
        state_order,
        sibling_scores.channel
)

select * from cells
