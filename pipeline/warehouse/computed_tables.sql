-- Tables that Python makes between the models, with the columns that models read.
create schema if not exists computed;

create table if not exists computed.month_effects (
    parameter varchar, state varchar, family_id varchar, "month" date, effect double
);

create table if not exists computed.reader_effects (
    parameter varchar, state varchar, reader varchar, effect double, component varchar, n_vans bigint, p double
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
