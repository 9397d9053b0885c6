-- The published tables as the dashboard reads them: the seam, restated for a hand-made fleet.
create table builds (
    build_id varchar, built_at timestamp, data_to timestamp, vans bigint, scans bigint, readings bigint,
    cells_tested bigint, p_cutoff double, expected_by_chance double, n_findings bigint
);
create table vans (
    van varchar, vin varchar, vin_status varchar, make varchar, model varchar, engine varchar,
    model_year integer, cohort_id varchar, cohort varchar, family_id varchar, family varchar, fuel varchar,
    displacement_l double, depot varchar, in_service date, out_of_service date, age_years double,
    odometer_km double, n_scans bigint, first_scan_at timestamp, last_scan_at timestamp
);
create table van_exposures (
    van varchar, attribute varchar, value varchar, from_date date, to_date date, is_current boolean
);
create table scans (
    scan_key varchar, scan_id varchar, van varchar, reader varchar, reader_version varchar,
    scanned_at timestamp, odometer_km double, ambient_c double, rest_v double, standing_days double,
    coverage_known boolean, n_readings bigint, n_codes bigint, n_modules_answered bigint,
    n_modules_silent bigint
);
create table scan_modules (
    scan_key varchar, van varchar, scanned_at timestamp, reader varchar, module varchar, answered boolean
);
create table scan_levels (
    scan_key varchar, van varchar, cohort_id varchar, family_id varchar, reader varchar,
    scanned_at timestamp, scan_month date, parameter varchar, state varchar, value double, n_rows bigint,
    n_limit_rows bigint, n_outside_rows bigint, low double, high double
);
create table sibling_scores (
    channel varchar, van varchar, cohort_id varchar, is_fallback boolean, parameter varchar, state varchar,
    unit varchar, value double, expected double, difference double, interval_low double,
    interval_high double, score double, df double, p double, q double, robust boolean,
    is_small_group boolean, detectable double, n_siblings bigint, n_clean bigint, n_vans bigint,
    n_scans bigint, n_scans_earlier bigint, first_seen timestamp, last_seen timestamp,
    sibling_median double, sibling_low double, sibling_high double, shrunken_difference double,
    tier varchar, verdict varchar, reason varchar
);
create table limit_shares (
    cohort_id varchar, parameter varchar, state varchar, reader varchar, source varchar, low double,
    high double, n_vans bigint, n_vans_outside bigint, n_above bigint, n_below bigint, n_scans bigint,
    first_seen timestamp, last_seen timestamp
);
create table scan_codes (
    scan_key varchar, van varchar, scanned_at timestamp, reader varchar, module varchar, code varchar,
    failure_type varchar, failure_says varchar, structure varchar, status varchar,
    status_byte integer, status_flags varchar, lamp boolean, text varchar
);
create table record_conflicts (
    conflict_kind varchar, van varchar, scan_key varchar, other_scan_key varchar, parameter varchar,
    state varchar, "at" timestamp, value double, other_value double, unit varchar, detail varchar
);
create table work (
    van varchar, "at" timestamp, what varchar, odometer_km double, part varchar, code varchar,
    relearn varchar, days_standing double, cost double, note varchar
);
create table notes (van varchar, "at" timestamp, text varchar, who varchar);
create table coverage (
    van varchar, n_scans bigint, last_scan_at timestamp, days_since_scan double, n_readers bigint,
    n_parameters bigint, n_cells_scored bigint, n_cells_not_judged bigint
);
create table rejects (
    batch_id bigint, file_id varchar, file varchar, table_name varchar, line bigint, column_name varchar,
    value varchar, reason varchar, remedy varchar
);
create table files (
    batch_id bigint, file_id varchar, file varchar, layout varchar, table_name varchar, size_bytes bigint,
    loaded_at timestamp, taken bigint, duplicates bigint, rejected bigint
);
create table findings (
    finding_id varchar, kind varchar, tier varchar, rank bigint, van varchar, scan_id varchar,
    cohort_id varchar, make varchar, model varchar, engine varchar, model_year integer, reader varchar,
    attribute varchar, level varchar, code varchar, module varchar, parameter varchar, state varchar,
    also varchar, against varchar, value double, expected double, difference double, unit varchar,
    interval_low double, interval_high double, score double, p double, q double, robust boolean,
    detectable double, n_siblings bigint, n_vans bigint, n_scans bigint, first_seen timestamp,
    last_seen timestamp, claim varchar, rivals varchar, next_check varchar, cautions varchar
);
create table freeze_frames (
    scan_key varchar, van varchar, scanned_at timestamp, module varchar, code varchar, parameter varchar,
    value double
);
create table finding_history (
    build_id varchar, built_at timestamp, data_to timestamp, finding_id varchar, kind varchar, tier varchar,
    van varchar, value double, difference double, unit varchar, interval_low double, interval_high double,
    n_scans bigint, last_seen timestamp, claim varchar
);
create table variance_shares (
    parameter varchar, state varchar, unit varchar, part varchar, share double, low double, high double,
    deviation double, n_levels bigint, n_vans bigint, n_scans bigint, reason varchar
);
