"""The whole chain bit by bit: whatever was loaded, corrected and withdrawn, the marts are those of a build afresh."""

from __future__ import annotations

import datetime as dt
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest
import sqlglot
from sqlglot import exp

from pipeline import ingest
from pipeline.build import build, planned
from pipeline.build.decided import DECISIONS, decisions_step
from pipeline.build.steps import computed_steps
from pipeline.ingest import correcting
from pipeline.settings import Home
from pipeline.warehouse import raw
from pipeline.warehouse.engines import DuckDB
from pipeline.warehouse.published import reading

OF_THE_BUILD = {"builds", "check_results", "finding_history"}
VANS = 9
DIGITS = 9
"""Decimals compared: sums over rows in another order differ in the last ones."""


def write(folder: Path, name: str, *lines: str) -> None:
    """One tidy file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("\n".join(lines) + "\n", "utf-8")


def write_scan(folder: Path, dice: random.Random, number: int, van: str = "") -> None:
    """One scan of one van in two states, with a code now and then, as two or three tidy files."""
    van, scan = van or f"{dice.randint(1, VANS):03d}", f"s{number}"
    at = f"2026-{dice.randint(3, 9):02d}-{dice.randint(1, 28):02d}T08:00:00"
    reader = dice.choice(["Blue", "Grey"])
    write(
        folder,
        f"scans_{number}.csv",
        "scan_id,van,reader,scanned_at,odometer_km,rest_v,modules",
        f"{scan},{van},{reader} handheld,{at},{100_000 + 50 * number},{dice.uniform(12.2, 12.7):.2f},engine",
    )
    lines = [
        f"{scan},{parameter},{dice.uniform(80, 95) + (reader == 'Grey'):.1f},°C,{state},70,90"
        for parameter in ("coolant_temp", "oil_temp")
        for state in ("warm_idle", "raised_idle")
        for _ in range(5)
    ]
    write(folder, f"readings_{number}.csv", "scan_id,parameter,value,unit,state,low,high", *lines)
    if dice.random() < 0.4:
        write(folder, f"codes_{number}.csv", "scan_id,module,code,status", f"{scan},engine,P0562,stored")


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """A small fleet, loaded and built once; tests change copies of it."""
    root = tmp_path_factory.mktemp("first")
    dice, files, home = random.Random(1), root / "files", Home(root / "home").ensure()
    vans = [f"{n:03d},Tarnwell,Bracken 22,{2014 + n % 2},2.2D,P{n}" for n in range(1, VANS + 1)]
    write(files, "register.csv", "van,make,model,model_year,engine,plate", *vans)
    spans = [
        f"{n:03d},parking,{'shade' if n % 2 else 'sun'},2026-01-01,2026-12-31" for n in range(1, VANS + 1)
    ]
    write(files, "exposures.csv", "van,attribute,value,from,to", *spans)
    for number in range(70):
        write_scan(files, dice, number)
    write(files, "work.csv", "van,at,what,part", "002,2026-06-01T08:00:00,replaced,thermostat")
    ingest.load(home, [files])
    build(home)
    return home


def load_scan(home: Home, folder: Path) -> None:
    write_scan(folder, random.Random(5), 100)
    ingest.load(home, [folder])


def load_scan_of_a_stranger(home: Home, folder: Path) -> None:
    write_scan(folder, random.Random(6), 101, van="Rosie")
    ingest.load(home, [folder])


def give_a_stranger_a_name(home: Home, folder: Path) -> None:
    load_scan_of_a_stranger(home, folder)
    build(home)
    correcting.name_van(home, "Rosie", "003", why="nickname")


def change_a_van(home: Home, folder: Path) -> None:
    write(folder, "vans.csv", "van,make,model,model_year,engine", "004,Tarnwell,Bracken 22,2015,2.2D")
    ingest.load(home, [folder])


def add_work(home: Home, folder: Path) -> None:
    write(folder, "later_work.csv", "van,at,what,part", "005,2026-05-20T08:00:00,replaced,thermostat")
    ingest.load(home, [folder])


def move_parking(home: Home, folder: Path) -> None:
    write(folder, "moved.csv", "van,attribute,value,from,to", "001,parking,sun,2026-06-01,2026-12-31")
    ingest.load(home, [folder])


def claim_a_limit(home: Home, folder: Path) -> None:
    write(folder, "limits.csv", "parameter,low,high,unit", "coolant_temp,75,88,°C")
    ingest.load(home, [folder])


def correct_scan(home: Home, folder: Path) -> None:
    correcting.correct_scan(home, *_scan(home), why="misread", odometer_km=123_456.0)


def correct_the_van(home: Home, folder: Path) -> None:
    correcting.correct_scan(home, *_scan(home), why="wrong van", van="006")


def withdraw_readings(home: Home, folder: Path) -> None:
    ingest.withdraw(home, "readings_12.csv", "wrong van")


ONE_BY_ONE: tuple[Callable[[Home, Path], None], ...] = (
    load_scan, give_a_stranger_a_name, change_a_van, add_work, correct_the_van, withdraw_readings,
)  # fmt: skip
IN_A_ROW: tuple[Callable[[Home, Path], None], ...] = (
    load_scan, give_a_stranger_a_name, change_a_van, add_work, move_parking, claim_a_limit, correct_scan, correct_the_van,
)  # fmt: skip


def _scan(home: Home) -> tuple[str, str]:
    with reading(home) as connection:
        rows = connection.execute(
            "select reader, scan_id from scans where van <> '006' order by all"
        ).fetchall()
    reader, scan_id = random.Random(3).choice(rows)
    return str(reader), str(scan_id)


def rows_of(home: Home) -> dict[str, list[str]]:
    """Every published row as text, by table, in one order; what only tells of the build itself left out."""

    def told(value: object) -> str:
        return f"{value + 0.0:.{DIGITS}g}" if isinstance(value, float) else repr(value)

    with reading(home) as connection:
        names = [r[0] for r in connection.execute("select table_name from duckdb_tables()").fetchall()]
        found = {
            n: sorted("|".join(map(told, r)) for r in connection.execute(f'from "{n}"').fetchall())
            for n in names
            if n not in OF_THE_BUILD
        }
    return found


def assert_as_afresh(home: Home, folder: Path) -> None:
    """Every published table holds what a full build of the same home publishes."""
    shutil.copytree(home.path, folder)
    build(Home(folder), full=True)
    grown, whole = rows_of(home), rows_of(Home(folder))
    assert [name for name in whole if grown[name] != whole[name]] == []
    assert set(grown) == set(whole)


@pytest.mark.parametrize("change", ONE_BY_ONE, ids=lambda change: change.__name__)
def test_the_marts_after_a_change_are_those_of_a_build_afresh(
    change: Callable[[Home, Path], None], first: Home, tmp_path: Path
) -> None:
    shutil.copytree(first.path, tmp_path / "home")
    home, before = Home(tmp_path / "home"), rows_of(first)
    change(home, tmp_path / "new")
    report = build(home)
    assert report.is_published
    assert rows_of(home) != before  # the change is one that can be seen
    if change is not withdraw_readings:
        assert report.rebuilt < report.total
    assert_as_afresh(home, tmp_path / "afresh")


def test_any_order_of_changes_equals_a_build_afresh(first: Home, tmp_path: Path) -> None:
    """A withdrawal makes all afresh and comes first, so that it cannot cover for the others."""
    shutil.copytree(first.path, tmp_path / "home")
    home = Home(tmp_path / "home")
    changes = [*IN_A_ROW]
    random.Random(1).shuffle(changes)
    withdraw_readings(home, tmp_path)
    build(home)
    for number, change in enumerate(changes):
        change(home, tmp_path / f"new_{number}")
        if number % 3 == 1 or change is changes[-1]:
            assert build(home).is_published
    assert_as_afresh(home, tmp_path / "afresh")


def test_the_fleet_fills_the_marts_that_are_compared(first: Home) -> None:
    rows = rows_of(first)
    filled = {name for name, found in rows.items() if found}
    assert {"scan_levels", "van_levels", "sibling_scores", "sibling_differences", "exposure_levels"} <= filled
    assert {"code_vans", "variance_shares", "limit_shares", "repairs", "reading_movement"} <= filled
    assert len(rows["scan_levels"]) > 200


class _Listener(DuckDB):
    """Notes which tables are read."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        super().__init__(connection)
        self.read: set[str] = set()

    def _note(self, query: str) -> None:
        tree = sqlglot.parse_one(query, dialect="duckdb")
        own = {step.alias for step in tree.find_all(exp.CTE)}
        names = {f"{t.db}.{t.name}" if t.db else t.name for t in tree.find_all(exp.Table)}
        self.read |= names - own

    def values(self, query: str) -> list[Any]:
        self._note(query)
        return super().values(query)

    def arrow(self, query: str) -> pa.Table:
        self._note(query)
        return super().arrow(query)


def test_a_step_reads_no_table_that_it_does_not_name(first: Home, tmp_path: Path) -> None:
    """Steps run at the same time: what is not named may not be made yet."""
    shutil.copytree(first.path, tmp_path / "home")
    home = Home(tmp_path / "home")
    steps = computed_steps(home.settings, "") | {DECISIONS: decisions_step(home, dt.date(2026, 10, 1))}
    heard = 0
    with raw.open_work(home) as connection:
        for name, step in steps.items():
            engine = _Listener(connection)
            step.run(engine)
            assert engine.read - set(step.parents) == set(), name
            heard += len(engine.read)
    assert heard > 30


def test_the_steps_kept_in_the_work_file_are_those_of_the_code(first: Home, tmp_path: Path) -> None:
    shutil.copytree(first.path, tmp_path / "home")
    home = Home(tmp_path / "home")
    with raw.open_work(home) as connection:
        engine = DuckDB(connection)
        kept = planned.planned_steps(engine, home.settings)
        engine.connection.execute("update build.steps set made_by = 'older', parents = ['vans']")
        fresh = planned.planned_steps(engine, home.settings)
        again = planned.planned_steps(engine, home.settings)
    told = [
        {n: (s.parents, s.written_by, s.fingerprint) for n, s in found.items()}
        for found in (kept, fresh, again)
    ]
    assert told[0] == told[1] == told[2]
    assert len(kept) > 10


def test_a_build_with_nothing_new_imports_no_numerical_library(first: Home, tmp_path: Path) -> None:
    shutil.copytree(first.path, tmp_path / "home")
    script = (
        "import sys; from pathlib import Path; from pipeline.build import build; from pipeline.settings import Home;"
        f"report = build(Home(Path({str(tmp_path / 'home')!r}))); assert report.rebuilt == 0;"
        "print([m for m in ('polars', 'scipy', 'pandas', 'numpy', 'pyarrow', 'rich') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
