-- One row: the published build.
select
    build_id,
    built_at,
    data_to,
    vans as n_vans,
    scans as n_scans,
    readings as n_readings,
    cells_tested,
    p_cutoff,
    expected_by_chance,
    n_findings
from builds
