-- The readings and states that are compared, numbered: what is judged carries one whole number in place of two texts.
-- grain: one row per health parameter x comparable state
-- key: cell_no
-- kind: table
-- column cell_no: number of parameter and state, rising with both
with parameters as (
    select * from vocab.parameters
),

states as (
    select * from vocab.states
),

numbered as (
    select
        cast(row_number() over (order by parameters.parameter, states.state) as smallint) as cell_no,
        parameters.parameter,
        states.state
    from parameters
    cross join states
    where parameters.role = 'health' and states.is_comparable
)

select * from numbered
