-- Rows as the files gave them, in canonical units and UTC, each with the batch, file and line it came from.
create schema if not exists raw;

create table if not exists raw.files (
    batch_id bigint, file_id varchar, file varchar, layout varchar, table_name varchar,
    size_bytes bigint, loaded_at timestamp, taken bigint, duplicates bigint, rejected bigint
);

create table if not exists raw.vans (
    batch_id bigint, file_id varchar, line bigint,
    van varchar, vin varchar, vin_status varchar, make varchar, model varchar, model_year integer,
    engine varchar, displacement_l double, cylinders integer, fuel varchar, emission_standard varchar,
    in_service date, out_of_service date, depot varchar, altitude_m double, battery_ah double
);

create table if not exists raw.van_attributes (
    batch_id bigint, file_id varchar, line bigint,
    van varchar, attribute varchar, value varchar
);

create table if not exists raw.scans (
    batch_id bigint, file_id varchar, line bigint,
    scan_id varchar, van varchar, reader varchar, reader_version varchar,
    scanned_at timestamp, ended_at timestamp, odometer_km double, ambient_c double, rest_v double,
    standing_days double, coverage_known boolean, operator varchar, note varchar
);

create table if not exists raw.scan_modules (
    batch_id bigint, file_id varchar, line bigint,
    scan_id varchar, reader varchar, module varchar, answered boolean, module_given varchar
);
alter table raw.scan_modules add column if not exists module_given varchar;

create table if not exists raw.readings (
    batch_id bigint, file_id varchar, line bigint,
    scan_id varchar, reader varchar, "at" timestamp, at_s double, parameter varchar, value double,
    low double, high double, mark varchar, state varchar, quality varchar,
    value_given varchar, unit_given varchar
);

create table if not exists raw.codes (
    batch_id bigint, file_id varchar, line bigint,
    scan_id varchar, reader varchar, module varchar, code varchar, code_given varchar,
    failure_type varchar, structure varchar, status varchar, lamp boolean, text varchar,
    first_seen_km double, status_byte integer, module_given varchar
);
alter table raw.codes add column if not exists status_byte integer;
alter table raw.codes add column if not exists module_given varchar;

create table if not exists raw.freeze_frames (
    batch_id bigint, file_id varchar, line bigint,
    scan_id varchar, reader varchar, module varchar, code varchar, parameter varchar,
    value double, quality varchar, value_given varchar, unit_given varchar, module_given varchar
);
alter table raw.freeze_frames add column if not exists module_given varchar;

create table if not exists raw.work (
    batch_id bigint, file_id varchar, line bigint,
    van varchar, "at" timestamp, what varchar, odometer_km double, part varchar, code varchar,
    relearn varchar, days_standing double, cost double, note varchar
);

create table if not exists raw.notes (
    batch_id bigint, file_id varchar, line bigint,
    van varchar, "at" timestamp, text varchar, who varchar
);

create table if not exists raw.exposures (
    batch_id bigint, file_id varchar, line bigint,
    van varchar, attribute varchar, value varchar, from_date date, to_date date
);

create table if not exists raw.limits (
    batch_id bigint, file_id varchar, line bigint,
    parameter varchar, low double, high double, reader varchar, state varchar, scope varchar,
    unit_given varchar
);

create table if not exists raw.rejects (
    batch_id bigint, file_id varchar, file varchar, table_name varchar, line bigint,
    column_name varchar, value varchar, reason varchar, remedy varchar
);

-- What people wrote beside a code for the whole fleet; filled from the journal by every build.
create table if not exists raw.code_notes (
    entry varchar, written_at timestamp, who varchar, module varchar, code varchar, text varchar, origin varchar
);

-- Filled from the journal by every build: what people corrected of scans, and other names of vans.
create table if not exists raw.corrections (
    entry varchar, corrected_at timestamp, reader varchar, scan_id varchar, field varchar, value varchar,
    why varchar, who varchar
);

create table if not exists raw.aliases (
    entry varchar, named_at timestamp, alias varchar, van varchar, why varchar
);
