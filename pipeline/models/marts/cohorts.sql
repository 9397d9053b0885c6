-- Groups of like vans, within which vans are compared.
-- grain: one row per cohort
-- key: cohort_id
-- kind: table
-- column cohort: the cohort's name for people
-- column family: the family's name for people
-- column n_vans: vans of the cohort in the register
-- column n_vans_scanned: of those, vans with at least one scan
with fleet_vans as (
    select * from vans
),

counted as (
    select
        cohort_id,
        min(cohort) as cohort,
        min(family_id) as family_id,
        min(family) as family,
        min(make) as make,
        min(model) as model,
        min(engine) as engine,
        case when min(model_year) = max(model_year) then min(model_year) end as model_year,
        count(*) as n_vans,
        count(case when n_scans > 0 then 1 end) as n_vans_scanned
    from fleet_vans
    where cohort_id is not null
    group by cohort_id
)

select * from counted
