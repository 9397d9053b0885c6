-- The build that made this file.
-- grain: one row
-- column build_id: name of the build
-- column built_at: when it was built (UTC)
-- column data_to: time of the newest scan that counts (UTC)
-- column vans: vans of the fleet
-- column scans: scans
-- column readings: reading rows
-- column cells_tested: levels and changes compared with siblings
-- column p_cutoff: p-value at which a comparison becomes a finding in this build
-- column expected_by_chance: findings that chance alone would give, cells_tested times p_cutoff
-- column n_findings: findings of tier finding
create table builds (
    build_id varchar, built_at timestamp, data_to timestamp, vans bigint, scans bigint, readings bigint,
    cells_tested bigint, p_cutoff double, expected_by_chance double, n_findings bigint
)
