"""Builds: bit by bit equals all at once, only what changed is rebuilt, and a cut build is done again."""

from __future__ import annotations

import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

import duckdb
import pytest
from sqlglot import exp

from pipeline.errors import KinbayError
from pipeline.warehouse import models, raw, runner
from pipeline.warehouse.engines import EVERYTHING, DuckDB, Engine
from tests.models import case_tables
from tests.warehouse import small_fleet

ROOT = Path(__file__).parents[2]


def tables_of(engine: DuckDB) -> dict[str, list[tuple[object, ...]]]:
    """Every model's rows."""
    rows = {}
    for model in models.load():
        columns = ", ".join(f'"{c}"' for c in engine.columns(model.name))
        rows[model.name] = engine.connection.execute(f'select {columns} from "{model.name}"').fetchall()
    return rows


def assert_same(left: DuckDB, right: DuckDB) -> None:
    found, expected = tables_of(left), tables_of(right)
    wrong = {name: case_tables.differences(found[name], expected[name])[:2] for name in found}
    assert {name: rows for name, rows in wrong.items() if rows} == {}


@pytest.mark.parametrize("seed", range(2))
def test_bit_by_bit_equals_all_at_once(seed: int) -> None:
    grown, whole = small_fleet.empty_engine(), small_fleet.empty_engine()
    partial = 0
    for batch in range(1, 6):
        small_fleet.add_batch(grown, seed, batch)
        partial += sum(s.action == "partial" for s in small_fleet.build(grown))
        small_fleet.add_batch(whole, seed, batch)
    small_fleet.build(whole)
    assert partial > 0
    assert len(tables_of(whole)["scan_levels"]) > 20
    assert_same(grown, whole)


def test_one_scan_rebuilds_its_month_alone() -> None:
    engine = small_fleet.empty_engine()
    for batch in range(1, 5):
        small_fleet.add_batch(engine, 1, batch)
    small_fleet.build(engine)
    small_fleet.build(engine)
    scan = {"scan_id": "new", "van": "001", "reader": "Yard tablet", "scanned_at": "2025-03-03 08:00:00"}
    small_fleet.insert(engine, "raw.scans", [{"batch_id": 9, "file_id": "f9", "line": 2, **scan}])
    reading = {
        "scan_id": "new",
        "at_s": 1740988800.0,
        "parameter": "coolant_temp",
        "value": 86,
        "quality": "ok",
    }
    small_fleet.insert(engine, "raw.readings", [{"batch_id": 9, "file_id": "f9", "line": 2, **reading}])
    done = {s.name: s for s in small_fleet.build(engine)}
    for name in ("stg_scans", "stg_reading_conflicts", "int_instants", "int_scan_values"):
        assert done[name].action == "partial"
        assert [str(p) for p in done[name].parts] == ["2025-03-01"]
    assert done["stg_vans"].action == "skip"
    assert [str(p) for p in done["scan_levels"].parts] == ["2025-03-01"]
    assert done["van_levels"].action == "full"


def test_the_other_scans_of_its_month_are_left_as_they_are() -> None:
    engine = small_fleet.empty_engine()
    small_fleet.add_batch(engine, 1, 1)
    scan = {"van": "001", "reader": "Yard tablet", "scanned_at": "2024-03-03 08:00:00"}
    reading = {"at_s": 1.0, "parameter": "coolant_temp", "value": 86, "quality": "ok"}
    for batch, scan_id in ((2, "first"), (3, "O'Hara's second")):
        place = {"batch_id": batch, "file_id": f"f{batch}", "line": 2, "scan_id": scan_id}
        small_fleet.insert(engine, "raw.scans", [place | scan])
        small_fleet.insert(engine, "raw.readings", [place | reading])
        small_fleet.build(engine)
        engine.connection.execute("update int_scan_values set value = 7 where scan_key = 'Yard tablet/first'")
    march = "select scan_key, value from int_scan_values where scan_month = date '2024-03-01' order by all"
    assert engine.connection.execute(march).fetchall() == [
        ("Yard tablet/O'Hara's second", 86.0),
        ("Yard tablet/first", 7.0),
    ]


def test_a_scan_that_is_dated_anew_leaves_its_old_month() -> None:
    engine = small_fleet.empty_engine()
    small_fleet.add_batch(engine, 1, 1)
    scan = {"scan_id": "moved", "van": "001", "reader": "Yard tablet", "scanned_at": "2024-03-03 08:00:00"}
    small_fleet.insert(engine, "raw.scans", [{"batch_id": 2, "file_id": "f2", "line": 2, **scan}])
    small_fleet.build(engine)
    later = scan | {"scanned_at": "2024-05-03 08:00:00"}
    small_fleet.insert(engine, "raw.scans", [{"batch_id": 3, "file_id": "f3", "line": 2, **later}])
    done = {s.name: s for s in small_fleet.build(engine)}
    assert done["stg_scans"].action == "partial"
    assert sorted(str(p) for p in done["stg_scans"].parts) == ["2024-03-01", "2024-05-01"]
    months = engine.values("select scan_month from stg_scans where scan_id = 'moved'")
    assert [str(m) for m in months] == ["2024-05-01"]


def test_a_second_reader_of_an_id_takes_back_what_named_no_reader() -> None:
    engine = small_fleet.empty_engine()
    small_fleet.add_batch(engine, 1, 1)
    scan = {"scan_id": "twice", "van": "001", "reader": "Yard tablet", "scanned_at": "2024-03-03 08:00:00"}
    small_fleet.insert(engine, "raw.scans", [{"batch_id": 2, "file_id": "f2", "line": 2, **scan}])
    reading = {"scan_id": "twice", "at_s": 1.0, "parameter": "coolant_temp", "value": 86, "quality": "ok"}
    small_fleet.insert(engine, "raw.readings", [{"batch_id": 2, "file_id": "f2", "line": 3, **reading}])
    small_fleet.build(engine)
    assert engine.values("select value from scan_levels where scan_key = 'Yard tablet/twice'") == [86]
    other = scan | {"reader": "Blue handheld", "scanned_at": "2024-07-03 08:00:00"}
    small_fleet.insert(engine, "raw.scans", [{"batch_id": 3, "file_id": "f3", "line": 2, **other}])
    small_fleet.build(engine)
    assert engine.values("select value from scan_levels where scan_key = 'Yard tablet/twice'") == []


def test_nothing_new_builds_nothing() -> None:
    engine = small_fleet.empty_engine()
    small_fleet.add_batch(engine, 1, 1)
    small_fleet.build(engine)
    small_fleet.build(engine)
    assert {s.action for s in small_fleet.build(engine)} == {"skip"}
    assert {s.parts for s in small_fleet.build(engine, full=True)} == {EVERYTHING}


def test_rows_taken_out_are_built_without() -> None:
    engine = small_fleet.empty_engine()
    for batch in (1, 2, 3):
        small_fleet.add_batch(engine, 2, batch)
    small_fleet.build(engine)
    for table in ("scans", "readings", "codes", "scan_modules", "vans", "work", "files"):
        engine.connection.execute(f"delete from raw.{table} where file_id = 'f2'")
    small_fleet.build(engine)
    without = small_fleet.empty_engine()
    for batch in (1, 2, 3):
        small_fleet.add_batch(without, 2, batch)
    for table in ("scans", "readings", "codes", "scan_modules", "vans", "work", "files"):
        without.connection.execute(f"delete from raw.{table} where file_id = 'f2'")
    small_fleet.build(without)
    assert_same(engine, without)


def test_a_new_raw_store_is_built_afresh_even_with_as_many_rows() -> None:
    engine = small_fleet.empty_engine()
    small_fleet.add_batch(engine, 3, 1)
    small_fleet.build(engine)
    raw.recreate(engine.connection)
    small_fleet.add_batch(engine, 3, 1)
    engine.connection.execute("update raw.readings set value = value + 1")
    assert {s.parts for s in small_fleet.build(engine)} == {EVERYTHING}


def test_another_setting_rebuilds_what_reads_it() -> None:
    engine = small_fleet.empty_engine()
    small_fleet.add_batch(engine, 3, 1)
    small_fleet.build(engine)
    engine.connection.execute("update vocab.settings set value = 100 where key = 'level_days'")
    done = {s.name: s.action for s in small_fleet.build(engine)}
    assert done["int_window_bounds"] == done["van_levels"] == "full"
    assert done["stg_scans"] == done["stg_reading_conflicts"] == "skip"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("select * from scans", "select * from (select * from scans where m = 1) as scans"),
        (
            "with s as (\n select x\n from scans as a\n)",
            "with s as (\n select x\n from (select * from scans where m = 1) as a\n)",
        ),
        (
            "left join scans as b on b.x = c.scans",
            "left join (select * from scans where m = 1) as b on b.x = c.scans",
        ),
        ("select * from stg_scans", "select * from stg_scans"),
        ("select * from raw.scans", "select * from raw.scans"),
        ("select * from scans_far", "select * from scans_far"),
        ("where a is distinct from scans", "where a is distinct from scans"),
    ],
)
def test_a_table_is_narrowed_where_it_is_read(text: str, expected: str) -> None:
    assert runner.narrow(text, "scans", "m = 1") == expected


def test_narrowing_leaves_no_reading_of_a_parent_out() -> None:
    """Held against the parsed tree: in a narrowed model each parent stands only in a narrowed subquery."""
    plan = {m.name: m for m in models.load()}
    kept = [m for m in plan.values() if m.kind == "table" and m.partition_by]
    assert len(kept) >= 4
    for model in kept:
        for parent in (p for p in model.parents if plan[p].partition_by == model.partition_by):
            tree = models.parse(runner.narrow(model.text, parent, "scan_month = date '2026-01-01'"))
            read = [t for t in tree.find_all(exp.Table) if t.name == parent and not t.db]
            assert read
            selects = [t.find_ancestor(exp.Select) for t in read]
            assert all(s is not None and "2026-01-01" in s.sql() for s in selects)


KILLED = """
    import os, sys
    sys.path.insert(0, {root!r})
    import duckdb
    from tests.warehouse import small_fleet
    engine = small_fleet.empty_engine(duckdb.connect({path!r}))
    small_fleet.add_batch(engine, 4, 3)
    def stop(step):
        if step.name == {last!r}:
            os._exit(7)
    small_fleet.build(engine, progress=stop)
"""


@pytest.fixture(scope="module")
def two_batches(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A work file with two batches, built; tests change copies of it."""
    path = tmp_path_factory.mktemp("two_batches") / "work.duckdb"
    with duckdb.connect(str(path)) as connection:
        engine = small_fleet.empty_engine(connection)
        for batch in (1, 2):
            small_fleet.add_batch(engine, 4, batch)
        small_fleet.build(engine)
    return path


@pytest.fixture(scope="module")
def whole() -> DuckDB:
    """The same two batches and a third, built all at once; tests only read it."""
    engine = small_fleet.empty_engine()
    for batch in (1, 2, 3):
        small_fleet.add_batch(engine, 4, batch)
    small_fleet.build(engine)
    return engine


@pytest.mark.parametrize("last", ["stg_scans", "int_scan_values"])
def test_a_killed_build_is_done_again(tmp_path: Path, two_batches: Path, whole: DuckDB, last: str) -> None:
    path = tmp_path / "work.duckdb"
    shutil.copyfile(two_batches, path)
    script = textwrap.dedent(KILLED.format(root=str(ROOT), path=str(path), last=last))
    done = subprocess.run([sys.executable, "-c", script], check=False)
    assert done.returncode == 7
    with duckdb.connect(str(path)) as connection:
        engine = small_fleet.empty_engine(connection)
        small_fleet.build(engine)
        assert_same(engine, whole)


def write_models(folder: Path, files: dict[str, str]) -> list[models.Model]:
    for name, text in files.items():
        path = folder / "staging" / f"{name}.sql"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return models.load(folder)


def own_engine() -> DuckDB:
    connection = duckdb.connect()
    connection.execute("create schema raw")
    connection.execute("create table raw.t as select 1 as batch_id, 5 as x")
    return DuckDB(connection)


def test_a_changed_definition_rebuilds_its_children_and_a_lost_one_goes(tmp_path: Path) -> None:
    engine = own_engine()
    first = write_models(
        tmp_path / "a",
        {
            "one": "-- One.\n-- kind: table\nwith t as (select x from raw.t) select * from t",
            "two": "-- Two.\n-- kind: table\nwith o as (select x + 1 as x from one) select * from o",
            "three": "-- Three.\n-- kind: view\nwith t as (select x from raw.t) select * from t",
        },
    )
    runner.build(engine, first)
    assert engine.values("select x from two") == [6]
    second = write_models(
        tmp_path / "b",
        {
            "one": "-- One.\n-- kind: view\nwith t as (select x * 2 as x from raw.t) select * from t",
            "two": "-- Two.\n-- kind: table\nwith o as (select x + 1 as x from one) select * from o",
        },
    )
    assert {s.name: s.action for s in runner.build(engine, second)} == {"one": "view", "two": "full"}
    assert engine.values("select x from two") == [11]
    assert engine.columns("three") == {}


def test_a_going_back_after_a_cut_build_mixes_nothing(tmp_path: Path) -> None:
    """New code is cut off after its first table; the old code, run again, must not keep that table."""
    engine = own_engine()
    text = "-- {n}.\n-- kind: table\nwith t as (select x * {f} as x from {of}) select * from t"
    old = write_models(
        tmp_path / "a", {"one": text.format(n=1, f=1, of="raw.t"), "two": text.format(n=2, f=1, of="one")}
    )
    new = write_models(
        tmp_path / "b", {"one": text.format(n=1, f=9, of="raw.t"), "two": text.format(n=2, f=1, of="one")}
    )
    runner.build(engine, old)

    def cut(_: runner.Step) -> None:
        raise RuntimeError("cut")

    with pytest.raises(RuntimeError):
        runner.build(engine, new, progress=cut)
    assert engine.values("select x from one") == [45]
    runner.build(engine, old)
    assert engine.values("select x from one") == [5]


def test_a_computed_table_runs_only_when_its_parents_change(tmp_path: Path) -> None:
    engine, runs = own_engine(), []
    made = write_models(
        tmp_path,
        {
            "one": "-- One.\n-- kind: table\nwith t as (select x, batch_id from raw.t) select * from t",
            "two": "-- Two.\n-- kind: table\nwith c as (select n from computed.c) select * from c",
        },
    )

    def run(target: Engine) -> None:
        runs.append(1)
        target.write("computed.c", target.arrow("select count(*) as n from one"))

    steps = {"computed.c": runner.Computed(("one",), run, "a")}
    runner.build(engine, made, steps)
    runner.build(engine, made, steps)
    assert len(runs) == 1
    engine.connection.execute("insert into raw.t values (2, 6)")
    runner.build(engine, made, steps)
    assert engine.values("select n from two") == [2]
    runner.build(engine, made, {"computed.c": runner.Computed(("one",), run, "b")})
    assert len(runs) == 3


def test_a_missing_step_and_a_circle_are_named(tmp_path: Path) -> None:
    lonely = write_models(
        tmp_path / "a",
        {"one": "-- One.\n-- kind: view\nwith c as (select n from computed.c) select * from c"},
    )
    with pytest.raises(KinbayError, match=r"one reads computed\.c, which no step makes"):
        runner.build(own_engine(), lonely)
    circle = write_models(
        tmp_path / "b",
        {
            "one": "-- One.\n-- kind: view\nwith t as (select x from two) select * from t",
            "two": "-- Two.\n-- kind: view\nwith t as (select x from one) select * from t",
        },
    )
    with pytest.raises(KinbayError, match="circle"):
        runner.build(own_engine(), circle)
    nowhere = write_models(
        tmp_path / "c", {"one": "-- One.\n-- kind: view\nwith t as (select x from raw.u) select * from t"}
    )
    with pytest.raises(KinbayError, match=r"raw\.u"):
        runner.build(own_engine(), nowhere)
