-- One row per reader's software update, reading and state: how far the reading moved, what is shown first.
with

held as (
    select
        reader_updates.reader,
        reader_updates.version_before,
        reader_updates.reader_version,
        reader_updates.since,
        reader_updates.parameter,
        reader_updates.state,
        coalesce(parameters.name, reader_updates.parameter) as parameter_name,
        coalesce(states.name, reader_updates.state) as state_name,
        reader_updates.unit,
        parameters.resolution,
        parameters.smallest_useful,
        reader_updates.step as shift,
        reader_updates.low as shift_low,
        reader_updates.high as shift_high,
        reader_updates.p,
        reader_updates.q,
        reader_updates.is_shown,
        reader_updates.n_vans,
        reader_updates.n_vans_other,
        reader_updates.reason
    from reader_updates
    left join parameters on reader_updates.parameter = parameters.parameter
    left join states on reader_updates.state = states.state
    order by
        reader_updates.is_shown desc, coalesce(reader_updates.p, 2), reader_updates.reader, reader_updates.since,
        parameter_name, states.state_order
)

select * from held
