-- One row per reading of one van that physics expects something of, the implausible first, with its siblings' middle.
with

held as (
    select
        van_expectations.parameter,
        van_expectations.state,
        coalesce(parameters.name, van_expectations.parameter) as parameter_name,
        coalesce(states.name, van_expectations.state) as state_name,
        parameters.unit,
        parameters.resolution,
        parameters.smallest_useful,
        van_expectations.relation,
        van_expectations.measured,
        van_expectations.expected,
        van_expectations.departure,
        van_expectations.low,
        van_expectations.high,
        van_expectations.is_plausible,
        van_expectations.n_scans,
        van_expectations.says,
        cohort_expectations.departure as cohort_departure,
        cohort_expectations.n_vans,
        cohort_expectations.n_vans_plausible
    from van_expectations
    left join cohort_expectations
        on van_expectations.cohort_id = cohort_expectations.cohort_id
        and van_expectations.parameter = cohort_expectations.parameter
        and van_expectations.state = cohort_expectations.state
    left join parameters on van_expectations.parameter = parameters.parameter
    left join states on van_expectations.state = states.state
    where van_expectations.van = $van
    order by van_expectations.is_plausible, parameter_name, states.state_order
)

select * from held
