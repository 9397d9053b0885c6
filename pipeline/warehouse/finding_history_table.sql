-- What earlier builds found, so that a reader can say what is new, worse, better or gone.
-- grain: one row per earlier build x finding; a build that found nothing has one row without a finding
-- column build_id: the earlier build
-- column built_at: when it was built (UTC)
-- column data_to: time of the newest scan that counted in it (UTC)
-- column finding_id: the matter, as in table findings
-- column kind: what sort of matter it was
-- column tier: how sure it was
-- column van: the van it was about
-- column value: the value found (in unit)
-- column difference: value less expected (in unit)
-- column unit: unit of value and difference
-- column interval_low: lower end of the difference's 95 % interval (in unit)
-- column interval_high: upper end of the difference's 95 % interval (in unit)
-- column n_scans: scans behind it
-- column last_seen: newest scan behind it (UTC)
-- column claim: what was said of it
create table finding_history (
    build_id varchar, built_at timestamp, data_to timestamp, finding_id varchar, kind varchar, tier varchar,
    van varchar, value double, difference double, unit varchar, interval_low double, interval_high double,
    n_scans bigint, last_seen timestamp, claim varchar
)
