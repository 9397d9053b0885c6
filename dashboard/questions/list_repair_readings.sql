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
    order by repairs.strength_rank
)

select * from told
