-- One row per reader and reading held against the reference reader on vans that both have read, surest first.
with

held as (
    select
        reader_effects.reader,
        reader_effects.reference,
        reader_effects.parameter,
        reader_effects.state,
        coalesce(parameters.name, reader_effects.parameter) as parameter_name,
        coalesce(states.name, reader_effects.state) as state_name,
        reader_effects.unit,
        parameters.resolution,
        parameters.smallest_useful,
        reader_effects.effect,
        reader_effects.estimate as shift,
        reader_effects.low as shift_low,
        reader_effects.high as shift_high,
        reader_effects.n_vans,
        reader_effects.p,
        reader_effects.q
    from reader_effects
    left join parameters on reader_effects.parameter = parameters.parameter
    left join states on reader_effects.state = states.state
    where reader_effects.estimate is not null
    order by reader_effects.p, reader_effects.reader, parameter_name, states.state_order
)

select * from held
