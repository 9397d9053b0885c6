-- One row per reading that a piece of work touches, with its evidence and verdict, the strongest first.
with

told as (
    select
        repairs.*,
        parameters.name as parameter_name,
        states.name as state_name,
        parameters.resolution,
        parameters.smallest_useful
    from repairs
    inner join parameters on repairs.parameter = parameters.parameter
    inner join states on repairs.state = states.state
    where repairs.van = $van
        and repairs.worked_at = $worked_at
        and repairs.what = $what
        and coalesce(repairs.part, '') = coalesce($part, '')
    order by
        case repairs.verdict
            when 'not_held' then 1
            when 'held' then 2
            when 'no_effect' then 3
            when 'too_early' then 4
            else 5
        end,
        case when repairs.verdict = 'not_held' then repairs.after_q else repairs.effect_q end nulls last,
        repairs.before_p nulls last,
        repairs.n_after desc,
        repairs.parameter,
        repairs.state
)

select * from told
