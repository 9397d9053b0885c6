-- Tables that Python makes between the models, with the columns that models read.
create schema if not exists computed;

create table if not exists computed.month_effects (
    parameter varchar, state varchar, family_id varchar, "month" date, effect double
);

create table if not exists computed.reader_effects (
    parameter varchar, state varchar, reader varchar, reference varchar, effect double, estimate double, low double,
    high double, component varchar, n_vans bigint, p double, q double
);

create table if not exists computed.exposure_effects (
    attribute varchar, level varchar, level_name varchar, other_level varchar, other_level_name varchar,
    parameter varchar, state varchar, unit varchar, is_tested boolean, effect double, shift double,
    shift_low double, shift_high double, shift_alone double, score double, p double, q double, p_alone double,
    n_vans bigint, n_vans_other bigint, n_cohorts bigint, n_pairs bigint, n_scans bigint,
    first_seen timestamp, last_seen timestamp, pair_shift double, pair_low double, pair_high double,
    pair_p double, twin_attribute varchar, twin_level varchar
);

create table if not exists computed.exposure_overlaps (
    attribute varchar, level varchar, rival varchar, rival_level varchar, n_same bigint, n_vans bigint,
    shift double, shift_low double, shift_high double, p double
);

create table if not exists computed.sibling_scores (
    channel varchar, van varchar, cohort_id varchar, is_fallback boolean, parameter varchar, state varchar,
    unit varchar, value double, expected double, difference double, interval_low double, interval_high double,
    score double, df double, p double, q double, robust boolean, is_small_group boolean, detectable double,
    n_siblings bigint, n_clean bigint, n_vans bigint, n_scans bigint, n_scans_earlier bigint,
    first_seen timestamp, last_seen timestamp, sibling_median double, sibling_low double, sibling_high double,
    shrunken_difference double, tier varchar, verdict varchar, reason varchar
);

create table if not exists computed.findings (
    finding_id varchar, kind varchar, tier varchar, rank bigint, van varchar, scan_id varchar,
    cohort_id varchar, make varchar, model varchar, engine varchar, model_year integer, reader varchar,
    attribute varchar, level varchar, code varchar, module varchar, parameter varchar, state varchar,
    also varchar, against varchar, value double, expected double, difference double, unit varchar,
    interval_low double, interval_high double, score double, p double, q double, robust boolean,
    detectable double, n_siblings bigint, n_vans bigint, n_scans bigint, first_seen timestamp,
    last_seen timestamp, claim varchar, rivals varchar, next_check varchar, cautions varchar
);

create table if not exists computed.code_associations (
    attribute varchar, level varchar, level_name varchar, module varchar, code varchar, is_tested boolean,
    odds_ratio double, odds_low double, odds_high double, p double, q double, method varchar,
    n_vans bigint, n_strata bigint, n_exposed_with bigint, n_exposed_without bigint,
    n_other_with bigint, n_other_without bigint, rival_attribute varchar, rival_level varchar,
    p_beside_rival double, tier varchar
);

create table if not exists computed.reader_updates (
    reader varchar, reader_version varchar, version_before varchar, since timestamp, parameter varchar, state varchar,
    unit varchar, step double, low double, high double, p double, q double, is_shown boolean, shift double,
    n_vans bigint, n_vans_other bigint, reason varchar
);

create table if not exists computed.van_drifts (
    van varchar, cohort_id varchar, parameter varchar, state varchar, van_no integer, cell_no smallint, unit varchar,
    n_scans bigint, n_months bigint, n_siblings bigint, is_fallback boolean, first_seen timestamp, last_seen timestamp, months double, slope double,
    slope_low double, slope_high double, difference double, interval_low double, interval_high double,
    start_value double, end_value double, sibling_median double, serial_correlation double,
    healthy_scatter double, score double, df double, p double, rank_p double, q double, detectable double,
    tier varchar, reason varchar, is_step boolean, step_at timestamp, step_size double, step_low double,
    step_high double, step_end double
);

create table if not exists computed.repairs (
    van varchar, worked_at timestamp, what varchar, part varchar, parameter varchar, state varchar, unit varchar,
    cohort_id varchar, is_fallback boolean, n_before bigint, n_after bigint, n_late bigint, n_needed bigint,
    n_over_work bigint, n_same_day bigint, next_work date, before_value double, after_value double,
    sibling_before double, sibling_after double, before_difference double, before_p double,
    after_difference double, after_p double, after_low double, after_high double, late_difference double,
    late_p double, effect double, effect_low double, effect_high double, effect_t double, effect_df double,
    effect_p double, effect_q double, after_q double, expected_return double, beyond_p double,
    n_siblings bigint, n_left_out bigint, own_from date, work_day date, own_to date, verdict varchar,
    reason varchar, claim varchar, rivals varchar, next_check varchar
);

create table if not exists computed.variance_shares (
    parameter varchar, state varchar, unit varchar, part varchar, share double, low double, high double,
    deviation double, n_levels bigint, n_vans bigint, n_scans bigint, reason varchar
);

create table if not exists computed.decisions (
    finding_id varchar, van varchar, claim varchar, choice varchar, decision varchar, "number" bigint,
    decided_at timestamp, until date, who varchar, why varchar, build_id varchar, standing varchar,
    why_back varchar, unit varchar, tier_then varchar, n_scans_then bigint, difference_then double,
    interval_low_then double, interval_high_then double, last_seen_then timestamp, tier_now varchar,
    n_scans_now bigint, difference_now double, interval_low_now double, interval_high_now double,
    last_seen_now timestamp
);
