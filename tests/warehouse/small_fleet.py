"""A small invented fleet, row by row and batch by batch, for what is tested on whole builds.

Random on purpose: staggered signals, readings before their scan, values that contradict one another
from file to file, vans that enter the register late, scans that are corrected, odometers that slip.
"""

from __future__ import annotations

import datetime as dt
import random
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import duckdb

from pipeline.settings import Settings
from pipeline.warehouse import models, raw, runner, words
from pipeline.warehouse.engines import DuckDB, Engine
from pipeline.warehouse.runner import Step

ROOT = Path(__file__).parents[2]
START = dt.datetime(2025, 1, 6, 8, 0)
READERS = ("Yard tablet", "Blue handheld")
MONTHS_SQL = (
    "create or replace table computed.month_effects as select parameter, state, family_id, scan_month as"
    ' "month", round(avg(value), 6) - 50 as effect from scan_levels where family_id is not null group by all'
)
READERS_SQL = (
    "create or replace table computed.reader_effects as select parameter, state, reader, cast(null as varchar)"
    " as reference, count(*) / 1000.0 as effect, 0.0 as estimate, 0.0 as low, 0.0 as high, 'linked' as component,"
    " count(distinct van) as n_vans, 0.5 as p, 0.5 as q from scan_levels group by all"
)
EMPTY_SQL = r"(create table if not exists computed\.(\w+) \([^;]*\);)"


def empty_engine(connection: duckdb.DuckDBPyConnection | None = None) -> DuckDB:
    """An engine with raw store and vocabulary and no rows."""
    connection = connection or duckdb.connect(config={"threads": 1})
    raw.create(connection)
    words.write(connection, Settings())
    return DuckDB(connection)


def _step(sql: str) -> Callable[[Engine], None]:
    def run(engine: Engine) -> None:
        assert isinstance(engine, DuckDB)
        engine.connection.execute(sql)

    return run


def steps() -> dict[str, runner.Computed]:
    """Stand-ins for the computed tables: season and readers change with the scan levels, the rest is empty."""
    ddl = (ROOT / "pipeline" / "warehouse" / "computed_tables.sql").read_text("utf-8")
    empty = {f"computed.{name}": sql for sql, name in re.findall(EMPTY_SQL, ddl)}
    read = {s for m in models.load() for s in m.sources if s.startswith("computed.")}
    made = {name: runner.Computed(("van_levels",), _step(empty[name]), "1") for name in read}
    for name in ("computed.exposure_effects", "computed.exposure_overlaps"):
        made[name] = runner.Computed(("exposure_levels",), _step(empty[name]), "1")
    made["computed.month_effects"] = runner.Computed(("scan_levels",), _step(MONTHS_SQL), "1")
    made["computed.reader_updates"] = runner.Computed(
        ("scan_levels",), _step(empty["computed.reader_updates"]), "1"
    )
    made["computed.reader_effects"] = runner.Computed(("scan_levels",), _step(READERS_SQL), "1")
    return made


def build(
    engine: DuckDB,
    *,
    full: bool = False,
    progress: Callable[[Step], None] | None = None,
    after: Sequence[runner.Afterwards] = (),
) -> list[Step]:
    """Build all models that ship on an engine."""
    return runner.build(engine, models.load(), steps(), progress, after, full=full)


def insert(engine: DuckDB, table: str, rows: list[dict[str, Any]]) -> None:
    """Append rows to a raw table; all of them have the same columns."""
    if not rows:
        return
    columns = ", ".join(f'"{c}"' for c in rows[0])
    marks = ", ".join(f"unnest(${n})" for n in range(1, len(rows[0]) + 1))
    values = [[row[c] for row in rows] for c in rows[0]]
    engine.connection.execute(f"insert into {table} ({columns}) select {marks}", values)


def add_batch(engine: DuckDB, seed: int, batch: int) -> None:
    """Add one random batch to the raw store."""
    dice = random.Random(seed * 1000 + batch)
    origin = {"batch_id": batch, "file_id": f"f{batch}"}
    insert(engine, "raw.files", [{**origin, "file": f"load-{batch}", "loaded_at": dt.datetime(2026, 6, 1)}])
    _add_register(engine, dice, origin, batch)
    _bring_late_scans(engine, origin)
    scans = []
    for number in range(dice.randint(1, 6)):
        scans.append(_add_scan(engine, dice, origin, f"s{batch}-{number}"))
    known = engine.connection.execute("select scan_id, reader, van, scanned_at from raw.scans").fetchall()
    if known and dice.random() < 0.6:
        _contradict(engine, dice, origin, dice.choice(known))
    if dice.random() < 0.5:
        at = START + dt.timedelta(days=dice.randint(0, 400))
        work = {"van": _van(dice), "at": at, "what": "replaced", "part": "thermostat"}
        insert(engine, "raw.work", [{**origin, "line": 1, **work}])
    if dice.random() < 0.3:
        insert(engine, "raw.limits", [{**origin, "line": 1, "parameter": "coolant_temp", "high": 87.0}])


def _bring_late_scans(engine: DuckDB, origin: dict[str, Any]) -> None:
    engine.connection.execute("create table if not exists late_scans as from raw.scans limit 0")
    engine.connection.execute("update late_scans set batch_id = $batch_id, file_id = $file_id", origin)
    engine.connection.execute("insert into raw.scans from late_scans")
    engine.connection.execute("delete from late_scans")


def _van(dice: random.Random) -> str:
    return f"{dice.randint(1, 6):03d}"


def _add_register(engine: DuckDB, dice: random.Random, origin: dict[str, Any], batch: int) -> None:
    vans = [f"{n:03d}" for n in range(1, 6)] if batch == 1 else [_van(dice)] if dice.random() < 0.4 else []
    rows = [
        {
            **origin,
            "line": line,
            "van": van,
            "make": "Tarnwell",
            "model": "Bracken 22",
            "engine": "2.2D",
            "model_year": dice.choice([2014, 2015]),
        }
        for line, van in enumerate(vans, 2)
    ]
    insert(engine, "raw.vans", rows)


def _add_scan(engine: DuckDB, dice: random.Random, origin: dict[str, Any], scan_id: str) -> str:
    at = START + dt.timedelta(days=dice.randint(0, 300), minutes=dice.randint(0, 500))
    reader = dice.choice(READERS)
    km = 100_000 + (at - START).days * 60 + (900_000 if dice.random() < 0.05 else 0)
    scan = {"scan_id": scan_id, "van": _van(dice), "reader": reader, "scanned_at": at, "odometer_km": km}
    row = {**origin, "line": 2, **scan, "rest_v": 12.2 + dice.random() / 2, "coverage_known": True}
    # now and then the readings come first, and the scan's own row with the next batch
    insert(engine, "late_scans" if dice.random() < 0.2 else "raw.scans", [row])
    start = (at - dt.datetime(1970, 1, 1)).total_seconds()
    rows: list[dict[str, Any]] = []
    for instant in range(dice.randint(1, 4)):
        given: dict[str, float] = {
            "engine_speed": dice.choice([0, 800, 2500]),
            "vehicle_speed": 0,
            "coolant_temp": dice.choice([30, 85]),
        }
        given |= {"rail_pressure": 28 + dice.random(), "oil_temp": 80 + dice.random()}
        for parameter, value in given.items():
            if dice.random() < 0.1:
                continue
            second = start + 4 * instant + dice.choice([0, 0, 1])
            state = dice.choice([None, None, None, "warm_idle"])
            key = {
                "scan_id": scan_id,
                "reader": dice.choice([reader, None]),
                "at_s": second,
                "parameter": parameter,
            }
            rows.append(
                {**origin, "line": len(rows) + 2, **key, "value": value, "state": state, "quality": "ok"}
            )
    insert(engine, "raw.readings", rows)
    code = {"scan_id": scan_id, "reader": reader, "module": "engine", "code": "P0562", "status": "stored"}
    insert(engine, "raw.codes", [{**origin, "line": 2, **code}])
    module = {"scan_id": scan_id, "reader": reader, "module": "engine", "answered": True}
    insert(engine, "raw.scan_modules", [{**origin, "line": 2, **module}])
    return scan_id


def _contradict(engine: DuckDB, dice: random.Random, origin: dict[str, Any], scan: tuple[Any, ...]) -> None:
    """A second file tells an old scan otherwise: its reading, its date, its van, or the reader of that id."""
    scan_id, reader, van, at = scan
    kind = dice.choice(["reading", "date", "van", "id"])
    if kind == "reading":
        old = engine.connection.execute(
            "select at_s, parameter, value, state from raw.readings where scan_id = $1", [scan_id]
        ).fetchall()
        for line, (second, parameter, value, state) in enumerate(old[:2], 2):
            row = {
                "scan_id": scan_id,
                "reader": reader,
                "at_s": second,
                "parameter": parameter,
                "state": state,
            }
            insert(
                engine, "raw.readings", [{**origin, "line": line, **row, "value": value + 1, "quality": "ok"}]
            )
        return
    row = {"scan_id": scan_id, "reader": reader, "van": van, "scanned_at": at}
    row |= {"date": {"scanned_at": at + dt.timedelta(days=40)}, "van": {"van": _van(dice)}, "id": {}}[kind]
    if kind == "id":
        row |= {"reader": READERS[0] if reader == READERS[1] else READERS[1], "van": _van(dice)}
    insert(engine, "raw.scans", [{**origin, "line": 9, **row}])
