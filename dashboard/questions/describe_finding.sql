-- One row: one finding with its group, as published.
with

found as (
    select
        findings.*,
        cast(coalesce(findings.rivals, '[]') as json)::varchar[] as rival_list,
        cast(coalesce(findings.cautions, '[]') as json)::varchar[] as caution_list,
        parameters.name as parameter_name,
        parameters.smallest_useful,
        parameters.resolution,
        states.name as state_name
    from findings
    left join parameters on findings.parameter = parameters.parameter
    left join states on findings.state = states.state
    where findings.finding_id = $finding_id
)

select * from found
