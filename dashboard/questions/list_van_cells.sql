-- One row per channel and reading of one van, those that stand out first; readings that the van's readers do not
-- decode, though its siblings have them, are not judged and say so.
with

unseen as (
    select
        'level' as channel,
        van,
        parameter,
        state,
        n_siblings,
        n_scans,
        false as robust,
        false as is_small_group,
        false as is_fallback,
        'not_enough_evidence' as tier,
        'not_judged' as verdict,
        reason
    from unseen_readings
    where van = $van
),

own as (
    select sibling_scores.*
    from sibling_scores
    left join unseen
        on sibling_scores.channel = unseen.channel
        and sibling_scores.parameter = unseen.parameter
        and sibling_scores.state = unseen.state
    where sibling_scores.van = $van and unseen.van is null
),

together as (
    select * from own
    union all by name
    select * from unseen
),

cells as (
    select
        together.channel,
        together.parameter,
        together.state,
        coalesce(parameters.name, together.parameter) as parameter_name,
        coalesce(states.name, together.state) as state_name,
        coalesce(states.state_order, 999) as state_order,
        parameters.resolution,
        parameters.smallest_useful,
        coalesce(together.unit, parameters.unit) as unit,
        together.value,
        together.expected,
        together.difference,
        together.interval_low,
        together.interval_high,
        together.score,
        together.p,
        together.q,
        together.robust,
        together.is_small_group,
        together.is_fallback,
        together.detectable,
        together.n_siblings,
        together.n_scans,
        together.n_scans_earlier,
        together.first_seen,
        together.last_seen,
        together.sibling_median,
        together.sibling_low,
        together.sibling_high,
        together.tier,
        together.verdict,
        together.reason
    from together
    left join parameters on together.parameter = parameters.parameter
    left join states on together.state = states.state
    order by
        together.verdict = 'not_judged',
        coalesce(together.p, 1),
        parameter_name,
        state_order,
        together.channel
)

select * from cells
