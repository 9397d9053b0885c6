-- The published tables on exposures, readers and physics as the dashboard reads them: the seam, restated.
create table exposure_effects (
    attribute varchar, level varchar, level_name varchar, other_level varchar, other_level_name varchar,
    parameter varchar, state varchar, unit varchar, is_tested boolean, effect double, shift double, shift_low
    double, shift_high double, shift_alone double, score double, p double, q double, p_alone double, n_vans
    bigint, n_vans_other bigint, n_cohorts bigint, n_pairs bigint, n_scans bigint, first_seen timestamp,
    last_seen timestamp, pair_shift double, pair_low double, pair_high double, pair_p double, twin_attribute
    varchar, twin_level varchar
);
create table exposure_overlaps (
    attribute varchar, level varchar, rival varchar, rival_level varchar, n_same bigint, n_vans bigint, shift
    double, shift_low double, shift_high double, p double
);
create table exposure_levels (
    van varchar, cohort_id varchar, span_from date, parameter varchar, state varchar, y double, m bigint,
    first_at timestamp, last_at timestamp
);
create table exposure_spans (
    van varchar, span_from date, span_to date, attribute varchar, level varchar, level_name varchar
);
create table exposure_strata (
    attribute varchar, level varchar, other_level varchar, parameter varchar, state varchar, cohort_id
    varchar, n_vans bigint, n_vans_other bigint, rank_sum double, expected_rank_sum double, rank_variance
    double, median_shift double
);
create table reader_effects (
    parameter varchar, state varchar, reader varchar, reference varchar, is_linked boolean, unit varchar,
    effect double, estimate double, low double, high double, n_vans bigint, p double, q double
);
create table reader_updates (
    reader varchar, reader_version varchar, version_before varchar, since timestamp, parameter varchar, state varchar,
    unit varchar, step double, low double, high double, p double, q double, is_shown boolean, n_vans bigint,
    n_vans_other bigint, reason varchar
);
create table reader_pairs (
    van varchar, reader varchar, other_reader varchar, parameter varchar, state varchar, scan_key varchar,
    other_scan_key varchar, scanned_at timestamp, other_scanned_at timestamp, value double, other_value
    double, difference double, average double
);
create table reader_coverage (
    scan_month date, reader varchar, family_id varchar, parameter varchar, n_scans bigint
);
create table module_coverage (
    van varchar, reader varchar, module varchar, n_scans bigint, n_answered bigint, n_silent bigint,
    n_not_asked bigint, n_unknown bigint, n_fresh bigint, last_answered_at timestamp
);
create table undecoded_readings (
    reader varchar, parameter varchar, value_least double, value_most double, n_vans bigint, n_scans bigint,
    n_vans_moving_elsewhere bigint, first_seen timestamp, last_seen timestamp
);
create table unseen_readings (
    van varchar, cohort_id varchar, parameter varchar, state varchar, reader varchar, other_reader varchar,
    n_readers bigint, is_one_value boolean, n_siblings bigint, n_scans bigint, reason varchar
);
create table van_expectations (
    van varchar, cohort_id varchar, family_id varchar, parameter varchar, state varchar, expected_by varchar,
    relation varchar, measured double, expected double, departure double, low double, high double,
    is_plausible boolean, n_scans bigint, first_seen timestamp, last_seen timestamp, says varchar
);
create table cohort_expectations (
    cohort_id varchar, family_id varchar, parameter varchar, state varchar, expected_by varchar, relation
    varchar, measured double, expected double, departure double, departure_least double, departure_most
    double, low double, high double, n_vans bigint, n_vans_plausible bigint, n_scans bigint, first_seen
    timestamp, last_seen timestamp, says varchar, engine_speed_rpm double, cylinders double
);
