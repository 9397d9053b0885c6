"""Checks: what stops, what warns, and what is kept of it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import KinbayError
from pipeline.warehouse import checks, models
from pipeline.warehouse.engines import DuckDB, Parts
from tests.warehouse import small_fleet


def write_check(folder: Path, text: str) -> Path:
    (folder / "checks").mkdir(parents=True)
    (folder / "checks" / "some_check.sql").write_text(text)
    return folder


def test_stop_and_warn_are_told_apart(engine: DuckDB, tmp_path: Path) -> None:
    text = "-- No van is called 001.\n-- severity: stop\n-- remedy: Rename it.\nwith v as (select van from vans where van = '001') select * from v"
    stop = checks.load(write_check(tmp_path / "a", text))
    warn = checks.load(write_check(tmp_path / "b", text.replace("stop", "warn")))
    fine = checks.load(write_check(tmp_path / "c", text.replace("'001'", "'999'")))
    found = checked(engine, [], {}, [*fine, *warn, *stop])
    assert [(r.severity, r.n_rows, r.stops) for r in found] == [
        ("stop", 1, True),
        ("warn", 1, False),
        ("stop", 0, False),
    ]
    assert found[0].examples == ({"van": "001"},)


def checked(
    engine: DuckDB,
    plan: Sequence[models.Model],
    parts: Mapping[str, Parts],
    own: Sequence[checks.Check] | None = None,
) -> list[checks.CheckResult]:
    """What the checks of a build say that rebuilt `parts`."""
    checking = checks.Checking(plan, {}, own)
    for work in checking.work():
        work.run(engine, parts)
    return checking.results()


def built(engine: DuckDB) -> dict[str, Parts]:
    return {step.name: step.parts for step in small_fleet.build(engine)}


@dataclass(frozen=True)
class Sound:
    """A work file with one batch, built, and what of it that build made."""

    work: Path
    parts: dict[str, Parts]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Sound:
    path = tmp_path_factory.mktemp("sound") / "work.duckdb"
    with duckdb.connect(str(path), config={"threads": 1}) as connection:
        engine = small_fleet.empty_engine(connection)
        small_fleet.add_batch(engine, 2, 1)
        return Sound(path, built(engine))


@pytest.fixture
def engine(sound: Sound, tmp_path: Path) -> Iterator[DuckDB]:
    """The built batch in a work file of the test's own."""
    shutil.copyfile(sound.work, tmp_path / "work.duckdb")
    with duckdb.connect(str(tmp_path / "work.duckdb"), config={"threads": 1}) as connection:
        yield DuckDB(connection)


def test_the_checks_that_ship_find_nothing_in_a_sound_build() -> None:
    engine = small_fleet.empty_engine()
    for batch in (1, 2):
        small_fleet.add_batch(engine, 2, batch)
    plan = models.load()
    found = checked(engine, plan, built(engine))
    assert len(found) > 30
    assert [(r.name, r.examples) for r in found if r.severity == "stop" and r.n_rows] == []


def test_a_doubled_key_stops(sound: Sound, engine: DuckDB) -> None:
    engine.connection.execute("insert into int_scan_values from int_scan_values limit 1")
    found = checked(engine, models.load(), sound.parts, [])
    assert [(r.name, r.n_rows) for r in found if r.stops] == [
        ("key_of_int_scan_values", 1),
        ("key_of_scan_levels", 1),
    ]


def test_keys_are_checked_only_where_something_was_rebuilt(engine: DuckDB) -> None:
    assert checked(engine, models.load(), built(engine), []) == []
    scan = {"scan_id": "x", "van": "001", "reader": "Yard tablet", "scanned_at": "2025-12-03 08:00:00"}
    small_fleet.insert(
        engine, "raw.scans", [{"batch_id": 5, "file_id": "f5", "line": 2, **scan, "rest_v": 12.5}]
    )
    done = built(engine)
    names = {r.name for r in checked(engine, models.load(), done, [])}
    assert "key_of_scan_levels" in names
    assert "key_of_stg_vans" not in names
    levels = next(m for m in models.load() if m.name == "scan_levels")
    asked = checks.key_check(levels, done["scan_levels"])
    assert asked
    assert asked.key
    assert asked.key.only == "scan_month in (date '2025-12-01')"
    assert asked.key.only in asked.text
    assert checks.key_check(levels, frozenset()) is None


def test_what_waits_to_be_published_is_looked_at_again(sound: Sound, engine: DuckDB) -> None:
    engine.connection.execute("insert into int_scan_values from int_scan_values limit 1")
    again = checks.Checking(models.load(), sound.parts, [])
    nothing = built(engine)
    assert not any(nothing.values())
    for work in again.work():
        work.run(engine, nothing)
    assert [r.name for r in again.results() if r.stops] == [
        "key_of_int_scan_values",
        "key_of_scan_levels",
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("-- A.\nwith v as (select van from vans) select * from v", "stops or warns"),
        ("-- A.\n-- severity: loud\nwith v as (select van from vans) select * from v", "stops or warns"),
        ("-- severity: stop\nwith v as (select van from vans) select * from v", "what it makes"),
        ("-- A.\n-- severity: stop\n-- kind: view\nselect 1", "may not have"),
    ],
)
def test_a_check_without_what_it_needs_is_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(KinbayError, match=said):
        checks.load(write_check(tmp_path, text))


@pytest.mark.parametrize(
    ("rows", "differ"),
    [
        ("(1, 'a'), (1, 'b'), (2, 'a')", True),
        ("(1, 'a'), (1, 'b'), (1, 'a')", False),
        ("(1, null), (null, '1'), (null, null)", True),
        ("(1, null), (2, 'a'), (1, null)", False),
        ("(0.0, 'a'), (-0.0, 'a')", False),
    ],
)
def test_the_fast_look_at_a_key_sees_what_grouping_sees(rows: str, differ: bool) -> None:
    engine = small_fleet.empty_engine()
    engine.connection.execute(f"create table keyed as select * from (values {rows}) as v(x, y)")
    grouped = engine.values("select count(*) from keyed group by x, y having count(*) > 1")
    assert engine.all_differ("keyed", ("x", "y")) is (grouped == []) is differ


def test_a_false_alarm_of_the_fast_look_is_looked_at_closely(
    sound: Sound, engine: DuckDB, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(DuckDB, "all_differ", lambda *_: False)
    found = checked(engine, models.load(), sound.parts, [])
    assert len(found) > 30
    assert [r.name for r in found if r.n_rows] == []
