-- One row per failure type of a code over the shown vans.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

counted as (
    select
        code_failure_types.failure_type,
        any_value(code_failure_types.failure_says) as failure_says,
        count(distinct code_failure_types.van) as n_vans,
        cast(sum(code_failure_types.n_scans) as bigint) as n_scans,
        max(code_failure_types.last_seen) as last_seen
    from code_failure_types
    inner join shown on code_failure_types.van = shown.van
    where code_failure_types.module = $module and code_failure_types.code = $code
    group by code_failure_types.failure_type
    order by n_vans desc, n_scans desc, code_failure_types.failure_type
)

select * from counted
