-- The published tables on work and costs as the dashboard reads them: the seam, restated.
create table repairs (
    van varchar, worked_at timestamp, what varchar, part varchar, parameter varchar, state varchar, unit varchar,
    work_code varchar, relearn varchar, note varchar, cohort_id varchar, is_fallback boolean, n_before bigint,
    n_after bigint, n_late bigint, n_needed bigint, n_over_work bigint, n_same_day bigint, next_work date,
    before_value double, after_value double, sibling_before double, sibling_after double, before_difference double,
    before_p double, after_difference double, after_p double, after_low double, after_high double,
    late_difference double, late_p double, effect double, effect_low double, effect_high double, effect_t double,
    effect_df double, effect_p double, effect_q double, after_q double, expected_return double, beyond_p double,
    n_siblings bigint, n_left_out bigint, own_from date, work_day date, own_to date, verdict varchar, reason varchar,
    claim varchar, rivals varchar, next_check varchar, strength_rank bigint
);
create table work_codes (
    van varchar, worked_at timestamp, what varchar, part varchar, work_code varchar, module varchar, code varchar,
    seen_at timestamp, n_after bigint, n_present_after bigint, n_absent_first bigint, returned_at timestamp,
    was_cleared boolean, outcome varchar
);
create table repair_codes (
    what varchar, part varchar, module varchar, code varchar, n_vans bigint, n_judged bigint, n_ended bigint,
    n_named bigint, share double, share_low double, share_high double
);
create table van_cost_years (
    van varchar, cost_year bigint, n_work bigint, n_costed bigint, cost double, n_standing bigint,
    days_standing double, km double
);
create table van_costs (
    van varchar, cohort_id varchar, window_from date, window_to date, n_work bigint, n_costed bigint, cost double,
    n_standing bigint, days_standing double, km double, n_work_driven bigint, n_costed_driven bigint,
    cost_driven double, days_driven double, cost_per_10000_km double, work_per_10000_km double,
    days_per_10000_km double, n_siblings bigint, sibling_median double, sibling_low double, sibling_high double,
    n_siblings_days bigint, sibling_days double, sibling_days_low double, sibling_days_high double
);
create table van_drifts (
    van varchar, cohort_id varchar, parameter varchar, state varchar, van_no integer, cell_no smallint, unit varchar,
    n_scans bigint, n_months bigint, n_siblings bigint, is_fallback boolean, first_seen timestamp, last_seen timestamp,
    months double, slope double, slope_low double, slope_high double, difference double, interval_low double, interval_high double,
    detectable double, p double, q double, tier varchar, reason varchar, is_step boolean, step_at timestamp,
    step_size double, step_low double, step_high double, step_end double, has_left boolean, leaves_at timestamp, leaves_from timestamp, leaves_to timestamp,
    start_value double, end_value double, sibling_median double, sibling_low double, sibling_high double
);
create table sibling_differences (
    van_no integer, cell_no smallint, scan_month date, n_scans bigint, day double, difference double
);
