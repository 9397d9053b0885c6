-- One row per reading and state of one van that has siblings to be followed against, drifts first.
with

named as (
    select
        van_drifts.*,
        coalesce(parameters.name, van_drifts.parameter) as parameter_name,
        coalesce(states.name, van_drifts.state) as state_name,
        coalesce(states.state_order, 999) as state_order,
        parameters.resolution,
        parameters.smallest_useful
    from van_drifts
    left join parameters on van_drifts.parameter = parameters.parameter
    left join states on van_drifts.state = states.state
    where van_drifts.van = $van
),

cells as (
    select
        parameter,
        state,
        parameter_name,
        state_name,
        resolution,
        smallest_useful,
        unit,
        n_scans,
        n_months,
        n_siblings,
        is_fallback,
        first_seen,
        last_seen,
        slope,
        slope_low,
        slope_high,
        difference,
        interval_low,
        interval_high,
        start_value,
        end_value,
        sibling_low - sibling_median as range_low,
        sibling_high - sibling_median as range_high,
        detectable,
        p,
        q,
        tier,
        is_step,
        step_at,
        step_size,
        step_low,
        step_high,
        step_end,
        has_left,
        leaves_at,
        leaves_from,
        leaves_to,
        reason
    from named
    order by coalesce(p, 2), parameter_name, state_order
)

select * from cells
