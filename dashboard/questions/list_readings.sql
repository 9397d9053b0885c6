-- One row per reading: a parameter in one operating state, with how many vans stand outside their siblings.
with

scored as (
    select
        parameter,
        state,
        any_value(unit) as unit,
        count(distinct van) filter (where verdict <> 'not_judged') as n_judged,
        count(distinct van) filter (where verdict in ('above', 'below')) as n_outside
    from sibling_scores
    group by parameter, state
),

named as (
    select
        scored.parameter,
        scored.state,
        coalesce(parameters.name, scored.parameter) as parameter_name,
        coalesce(states.name, scored.state) as state_name,
        coalesce(scored.unit, parameters.unit) as unit,
        parameters.resolution,
        parameters.smallest_useful,
        parameters.meaning_high,
        parameters.meaning_low,
        scored.n_judged,
        scored.n_outside
    from scored
    left join parameters on scored.parameter = parameters.parameter
    left join states on scored.state = states.state
    order by parameter_name, states.state_order, scored.state
)

select * from named
