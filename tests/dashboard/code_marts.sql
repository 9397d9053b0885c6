-- The published tables on codes as the dashboard reads them: the seam, restated for a hand-made fleet.
create table van_codes (
    van varchar, cohort_id varchar, module varchar, code varchar, title varchar, structure varchar,
    first_seen timestamp, last_seen timestamp, first_seen_km double, n_present bigint, n_readers bigint,
    last_status varchar, had_lamp boolean, n_low_voltage bigint, n_later_covered bigint, n_later_present bigint,
    share double, share_low double, share_high double, n_absent_since bigint, chance_of_absence double,
    n_cannot_tell bigint, n_present_uncovered bigint, n_clears bigint, n_clears_survived bigint
);
create table code_vans (
    cohort_id varchar, module varchar, code varchar, van varchar, standing varchar, n_scans bigint,
    n_present bigint, first_at timestamp, last_at timestamp
);
create table code_prevalence (
    cohort_id varchar, module varchar, code varchar, title varchar, structure varchar, n_vans bigint,
    n_vans_with bigint, n_vans_unknown bigint, share double, share_low double, share_high double,
    n_scans bigint, n_vans_lamp bigint, n_vans_lamp_known bigint, first_seen timestamp, last_seen timestamp
);
create table code_scans (
    van varchar, module varchar, code varchar, scan_key varchar, reader varchar, scanned_at timestamp,
    standing varchar, why_unknown varchar, status varchar, lamp boolean, is_low_voltage boolean,
    is_counted boolean, is_in_window boolean
);
create table code_returns (
    van varchar, cohort_id varchar, module varchar, code varchar, cleared_at timestamp, has_returned boolean,
    days_low bigint, days_high bigint, days double, km_low double, km_high double, km double, n_scans bigint
);
create table code_pairs (
    module varchar, code varchar, other_module varchar, other_code varchar, n_scans bigint, n_with bigint,
    n_with_other bigint, n_both bigint, lift double, overlap double, n_vans bigint, n_vans_with bigint,
    n_vans_with_other bigint, n_vans_both bigint
);
create table code_associations (
    attribute varchar, level varchar, level_name varchar, module varchar, code varchar, is_tested boolean,
    odds_ratio double, odds_low double, odds_high double, p double, q double, method varchar, n_vans bigint,
    n_strata bigint, n_exposed_with bigint, n_exposed_without bigint, n_other_with bigint,
    n_other_without bigint, rival_attribute varchar, rival_level varchar, p_beside_rival double, tier varchar
);
create table code_endings (
    van varchar, module varchar, code varchar, "at" timestamp, what varchar, part varchar,
    last_seen timestamp, absent_at timestamp, n_absent_since bigint
);
create table code_readers (
    reader varchar, other_reader varchar, module varchar, code varchar, n_asked bigint, n_pairs bigint,
    n_both bigint, n_only bigint, n_only_other bigint, n_only_faint bigint, n_only_other_faint bigint,
    n_vans bigint
);
create table low_voltage_scans (
    scan_key varchar, scan_id varchar, van varchar, reader varchar, scanned_at timestamp, points bigint,
    verdict varchar, is_cluster boolean, is_over boolean, n_codes bigint, n_modules bigint,
    standing_days double, rest_v double, cranking_v double, cranking_floor_v double, freeze_v double,
    work_before varchar
);
create table low_voltage_evidence (
    scan_key varchar, van varchar, scanned_at timestamp, rule varchar, points bigint, says varchar
);
create table code_failure_types (
    van varchar, module varchar, code varchar, failure_type varchar, failure_says varchar, n_scans bigint,
    first_seen timestamp, last_seen timestamp, last_status varchar
);
create table code_freeze_frames (
    module varchar, code varchar, state varchar, parameter varchar, n_vans bigint, n_frames bigint,
    value double, value_low double, value_high double, n_fleet_vans bigint, fleet_value double,
    fleet_low double, fleet_high double
);
