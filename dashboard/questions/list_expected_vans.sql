-- One row per van of the groups with a shown van: what was read beside what physics expects of it, in one reading.
with

shown_cohorts as (
    select distinct cohort_id
    from vans
    where van in (select unnest(cast($vans as varchar[])))
),

held as (
    select
        van_expectations.van,
        vans.cohort_id,
        vans.cohort,
        van_expectations.relation,
        coalesce(parameters.name, van_expectations.expected_by) as expected_by,
        van_expectations.measured,
        van_expectations.expected,
        van_expectations.departure,
        van_expectations.low,
        van_expectations.high,
        van_expectations.is_plausible,
        van_expectations.n_scans,
        van_expectations.says,
        cohort_expectations.engine_speed_rpm,
        cohort_expectations.cylinders
    from van_expectations
    inner join vans on van_expectations.van = vans.van
    inner join shown_cohorts on vans.cohort_id = shown_cohorts.cohort_id
    left join cohort_expectations
        on vans.cohort_id = cohort_expectations.cohort_id
        and van_expectations.parameter = cohort_expectations.parameter
        and van_expectations.state = cohort_expectations.state
    left join parameters on van_expectations.expected_by = parameters.parameter
    where van_expectations.parameter = $parameter and van_expectations.state = $state
    order by vans.cohort, van_expectations.van
)

select * from held
