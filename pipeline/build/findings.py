"""Computed table `computed.findings`: evidence read from the models, put into words and ranked."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import asdict
from typing import Any

import pyarrow as pa

from pipeline.build import (
    cause_evidence,
    code_evidence,
    drift_evidence,
    movement_evidence,
    reader_evidence,
    repair_evidence,
)
from pipeline.build.codes import as_frame
from pipeline.build.cohort_evidence import (
    read_agreements,
    read_expectations,
    read_limits,
    read_offsets,
)
from pipeline.columns import table
from pipeline.findings import cohorts, contradictions, merging, mixed, ranking, van_cells
from pipeline.findings.records import Finding
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

FINDINGS = "computed.findings"
PARENTS = (
    "computed.sibling_scores", "van_levels", "stg_scans", "int_scan_values", "int_worked_out_values", "int_reader_links",
    "int_numbered_scans", "int_cells", "limit_shares", "record_conflicts", "vans", "cohorts", "cohort_expectations",
    "vocab.parameters", "vocab.settings", *code_evidence.PARENTS,
    *cause_evidence.PARENTS, *movement_evidence.PARENTS, *drift_evidence.PARENTS, *reader_evidence.PARENTS,
    *repair_evidence.PARENTS,
)  # fmt: skip
_CELLS = "select * from computed.sibling_scores where tier in ('finding', 'likely', 'watch') order by channel, van, parameter, state"
_CONFLICTS = "select * from record_conflicts order by conflict_kind, van, parameter, record_conflicts.at, scan_key, other_scan_key"
_VANS = """
select v.*,
    v.odometer_km is not null and v.odometer_km = max(v.odometer_km) over (partition by v.cohort_id)
        and count(v.odometer_km) over (partition by v.cohort_id) > 2 as is_most_driven,
    v.in_service is not null and v.in_service = min(v.in_service) over (partition by v.cohort_id)
        and max(v.in_service) over (partition by v.cohort_id) > v.in_service as is_oldest
from vans as v
"""
# What the windows of the comparison hold is little, and mostly tells already that a van was read with several readers.
_WITH_SEVERAL_READERS = """
select s.van, c.parameter
from int_reader_links as l
inner join int_numbered_scans as s on l.first_no = s.scan_no
inner join int_cells as c on l.cell_no = c.cell_no
where s.reader is not null
group by s.van, c.parameter
having count(distinct s.reader) > 1
"""
# The scans of the vans that stand out come first: they are few, and what was read in all scans is much.
_READERS = """
with told as (
    select distinct s.van, s.parameter from computed.sibling_scores as s where s.tier in ('finding', 'likely', 'watch')
),
asked as (
    select s.scan_key, s.van, s.reader, told.parameter
    from stg_scans as s
    inner join told on s.van = told.van
    where s.reader is not null
),
levels as (
    select scan_key, parameter from int_scan_values
    union all
    select scan_key, parameter from int_worked_out_values
)
select distinct a.van, a.parameter, a.reader
from asked as a
inner join levels as l on a.scan_key = l.scan_key and a.parameter = l.parameter
order by a.van, a.parameter, a.reader
"""
_SCHEMA = pa.schema(
    [
        *[pa.field(n, pa.string()) for n in ("finding_id", "kind", "tier")],
        pa.field("rank", pa.int64()),
        *[pa.field(n, pa.string()) for n in ("van", "scan_id", "cohort_id", "make", "model", "engine")],
        pa.field("model_year", pa.int64()),
        *[
            pa.field(n, pa.string())
            for n in (
                "reader",
                "attribute",
                "level",
                "code",
                "module",
                "parameter",
                "state",
                "also",
                "against",
            )
        ],
        *[pa.field(n, pa.float64()) for n in ("value", "expected", "difference")],
        pa.field("unit", pa.string()),
        *[pa.field(n, pa.float64()) for n in ("interval_low", "interval_high", "score", "p", "q")],
        pa.field("robust", pa.bool_()),
        pa.field("detectable", pa.float64()),
        *[pa.field(n, pa.int64()) for n in ("n_siblings", "n_vans", "n_scans")],
        *[pa.field(n, pa.timestamp("us")) for n in ("first_seen", "last_seen")],
        *[pa.field(n, pa.string()) for n in ("claim", "rivals", "next_check", "cautions")],
    ]
)


def _nine_digits(value: Any) -> Any:
    """A number as text holds it: further digits are those of the order in which rows were summed."""
    return float(f"{value:.9g}") if isinstance(value, float) else value


def _row(finding: Finding) -> dict[str, Any]:
    row = asdict(finding) | {"finding_id": finding.finding_id}
    row["also"] = [{key: _nine_digits(value) for key, value in cell.items()} for cell in row["also"]]
    for name in ("also", "rivals", "cautions"):
        row[name] = json.dumps(list(row[name]), ensure_ascii=False)
    return row


def _find_vans(engine: Engine, settings: Settings) -> list[Finding]:
    """Vans that stand out or drift; what else is known of vans is read where some do."""
    cells = as_frame(engine.arrow(_CELLS)).to_dicts()
    drifting = drift_evidence.read_drifts(engine, settings)
    if not cells and not drifting:
        return []
    vans = {r["van"]: r for r in as_frame(engine.arrow(_VANS)).to_dicts()}
    only_readers = _read_only_readers(engine, {(c["van"], c["parameter"]) for c in cells})
    return van_cells.find([*cells, *drifting], van_cells.Background(vans, only_readers))


def _read_only_readers(engine: Engine, told: set[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """The reader of the readings, as (van, parameter), that were never read with another one."""
    if told <= set(as_frame(engine.arrow(_WITH_SEVERAL_READERS)).iter_rows()):
        return {}
    readers: dict[tuple[str, str], list[str]] = defaultdict(list)
    for van, parameter, reader in as_frame(engine.arrow(_READERS)).iter_rows():
        readers[van, parameter].append(reader)
    return {reading: names[0] for reading, names in readers.items() if len(names) == 1}


def _find_limits(engine: Engine, settings: Settings) -> list[Finding]:
    """Readers' limits that whole cohorts are outside of; agreement and physics are asked of where there are any."""
    rows = read_limits(engine, settings)
    if not rows:
        return []
    return cohorts.find_limits(rows, read_agreements(engine), read_expectations(engine))


def collect(engine: Engine, settings: Settings) -> list[Finding]:
    """Return every finding of the build, best first."""
    found = _find_vans(engine, settings)
    found += _find_limits(engine, settings)
    found += cohorts.find_offsets(read_offsets(engine, settings))
    found += cause_evidence.collect(engine, settings)
    found += reader_evidence.collect(engine, settings)
    found = mixed.tell(found, cause_evidence.read_taken_off(engine, found))
    found += code_evidence.collect(engine, settings)
    found = repair_evidence.collect(engine, settings, found)
    found += contradictions.find(as_frame(engine.arrow(_CONFLICTS)).to_dicts())
    return ranking.rank(merging.merge(movement_evidence.collect(engine, settings, found)))


def write_findings(engine: Engine, settings: Settings) -> None:
    """Write `computed.findings`, one row per finding."""
    rows = [_row(f) for f in collect(engine, settings)]
    engine.write(FINDINGS, table(rows, _SCHEMA))
