-- One row per caution line, with the readings it goes with.
with

concerned as (
    select
        parameter_cautions.caution_id,
        string_agg(parameters.name, ', ' order by parameters.name) as readings
    from parameter_cautions
    inner join parameters on parameter_cautions.parameter = parameters.parameter
    group by parameter_cautions.caution_id
),

lines as (
    select
        cautions.caution_id,
        cautions.text,
        cautions.source,
        concerned.readings
    from cautions
    left join concerned on cautions.caution_id = concerned.caution_id
    order by cautions.caution_id
)

select * from lines
