-- One row per reading and part of its differences, with the names of reading and state.
with

shares as (
    select
        variance_shares.parameter,
        variance_shares.state,
        parameters.name as parameter_name,
        states.name as state_name,
        variance_shares.unit,
        parameters.smallest_useful,
        parameters.resolution,
        variance_shares.part,
        variance_shares.share,
        variance_shares.low,
        variance_shares.high,
        variance_shares.deviation,
        variance_shares.n_levels,
        variance_shares.n_vans,
        variance_shares.n_scans,
        variance_shares.reason
    from variance_shares
    left join parameters on variance_shares.parameter = parameters.parameter
    left join states on variance_shares.state = states.state
    order by parameters.name, variance_shares.parameter, variance_shares.state, variance_shares.part
)

select * from shares
