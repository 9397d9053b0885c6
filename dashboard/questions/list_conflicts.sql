-- One row per pair of records of the shown vans that contradict each other, newest first.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

contradictions as (
    select
        record_conflicts.conflict_kind,
        record_conflicts.van,
        record_conflicts."at" as happened_at,
        coalesce(parameters.name, record_conflicts.parameter) as parameter_name,
        record_conflicts."value",
        record_conflicts.other_value,
        record_conflicts.unit,
        record_conflicts.detail
    from record_conflicts
    left join parameters on record_conflicts.parameter = parameters.parameter
    where record_conflicts.van is null or record_conflicts.van in (select van from shown)
    order by record_conflicts."at" desc nulls last, record_conflicts.van
)

select * from contradictions
