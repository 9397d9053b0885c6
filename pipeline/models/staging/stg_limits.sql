-- Limits that readers or data sheets claim, the newest of each.
-- grain: one row per parameter x reader x state x scope
-- key: parameter, reader, state, scope
-- kind: table
-- column reader: the reader that shows the limit; null = every reader
-- column state: the operating state it is meant for; null = not said, judged at warm idle
-- column scope: what the limit claims to cover, in its own words
with limits as (
    select * from raw.limits
),

newest as (
    select
        parameter,
        reader,
        state,
        scope,
        low,
        high
    from limits
    where parameter is not null and (low is not null or high is not null)
    qualify row_number() over (
        partition by parameter, reader, state, scope order by batch_id desc, file_id desc, line desc
    ) = 1
)

select * from newest
