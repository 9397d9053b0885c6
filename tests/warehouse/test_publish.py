"""Publishing: readers never wait, never meet half a file, and can do nothing but read."""

from __future__ import annotations

import csv
import datetime as dt
import json
import os
import shutil
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pyarrow.parquet
import pytest

from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.warehouse import models, publish
from pipeline.warehouse import published as published_files
from pipeline.warehouse.checks import CheckResult
from pipeline.warehouse.engines import DuckDB
from tests.models import case_tables
from tests.patience import PATIENCE_S
from tests.warehouse import small_fleet

ROOT = Path(__file__).parents[2]
ROW = {"build_id": "b1", "built_at": dt.datetime(2026, 6, 1, 10, 0), "n_findings": 0}


@pytest.fixture(scope="module")
def engine() -> DuckDB:
    """A built fleet."""
    made = small_fleet.empty_engine()
    for batch in (1, 2, 3):
        small_fleet.add_batch(made, 5, batch)
    small_fleet.build(made)
    return made


@pytest.fixture
def folder(tmp_path: Path, engine: DuckDB) -> Iterator[Path]:
    """An empty warehouse folder; the engine has published nothing there."""
    engine.connection.execute("delete from build.published")
    yield tmp_path
    engine.connection.execute("delete from build.published")


@pytest.fixture(scope="module")
def published(engine: DuckDB, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse folder with one file published; tests only read it."""
    folder = tmp_path_factory.mktemp("published")
    publish_it(engine, folder)
    return folder


def publish_it(engine: DuckDB, folder: Path, build_id: str = "b1") -> Path:
    return publish.publish(engine, models.load(), folder, ROW | {"build_id": build_id})


def test_a_reader_finds_the_marts_and_their_meaning(engine: DuckDB, folder: Path) -> None:
    path = publish_it(engine, folder)
    name, reader = publish.open_published(folder)
    assert name == path.name == "marts-000001.duckdb"
    marts = {m.name for m in models.load() if m.layer == "marts"}
    tables = reader.execute("select table_name, comment from duckdb_tables()").fetchall()
    assert {t for t, _ in tables} == marts | {"builds", "check_results", "finding_history"}
    assert [t for t, comment in tables if not comment] == []
    bare = reader.execute(
        "select table_name, column_name from duckdb_columns() where not internal and comment is null"
    ).fetchall()
    assert bare == []
    said = reader.execute(
        "select comment from duckdb_columns() where table_name = 'vans' and column_name = 'odometer_km'"
    ).fetchall()
    assert "(km)" in said[0][0]
    assert reader.execute("select build_id, built_at, n_findings from builds").fetchall() == [
        ("b1", dt.datetime(2026, 6, 1, 10, 0), 0)
    ]
    pointer = json.loads((folder / "current.json").read_text())
    assert pointer == {"file": name, "build_id": "b1", "built_at": "2026-06-01T10:00:00", "batch_id": 3}


def test_each_build_hands_on_what_the_ones_before_it_found(engine: DuckDB, folder: Path) -> None:
    for number in (1, 2, 3):
        publish.publish(
            engine,
            models.load(),
            folder,
            ROW | {"build_id": f"b{number}", "built_at": dt.datetime(2026, 6, number)},
        )
    _, reader = publish.open_published(folder)
    asked = "select build_id, built_at, count(finding_id) from finding_history group by all order by 1"
    n_found = reader.execute("select count(*) from findings").fetchall()[0][0]
    assert reader.execute(asked).fetchall() == [
        ("b1", dt.datetime(2026, 6, 1), n_found),
        ("b2", dt.datetime(2026, 6, 2), n_found),
    ]


def test_without_the_last_file_history_begins_anew(engine: DuckDB, folder: Path) -> None:
    publish_it(engine, folder).unlink()
    publish_it(engine, folder, "b2")
    _, reader = publish.open_published(folder)
    assert reader.execute("select count(*) from finding_history").fetchall() == [(0,)]


@pytest.mark.parametrize(
    "sql",
    [
        "create table t as select 1",
        "delete from vans",
        "from read_csv('/etc/passwd')",
        "from read_text('/etc/hostname')",
        "copy vans to 'out.csv'",
        "attach 'other.duckdb'",
        "install httpfs",
        "set memory_limit = '9GB'",
        "set enable_external_access = true",
        "from read_csv('https://example.org/x.csv')",
    ],
)
def test_a_reader_can_do_nothing_but_read(published: Path, sql: str) -> None:
    _, reader = publish.open_published(published)
    with pytest.raises(duckdb.Error):
        reader.execute(sql)


def test_old_files_go_and_no_path_comes_back(engine: DuckDB, folder: Path) -> None:
    names = [publish_it(engine, folder, f"b{n}").name for n in range(1, 6)]
    assert sorted(p.name for p in folder.glob("marts-*")) == names[2:]
    for path in folder.glob("marts-*"):
        path.unlink()
    assert publish_it(engine, folder).name == "marts-000006.duckdb"
    assert [p.name for p in folder.iterdir() if p.name.startswith(".")] == []


def test_an_open_reader_keeps_its_file(engine: DuckDB, folder: Path) -> None:
    publish_it(engine, folder, "old")
    _, reader = publish.open_published(folder)
    for n in range(5):
        publish_it(engine, folder, f"new{n}")
    assert reader.execute("select build_id from builds").fetchall() == [("old",)]
    assert reader.execute("select count(*) from scan_levels").fetchall()[0][0] > 0


def test_busy_readers_meet_no_error_and_no_half_build(engine: DuckDB, folder: Path) -> None:
    publish_it(engine, folder, "b0")
    stop, faults, seen = threading.Event(), [], set()

    def read() -> None:
        while not stop.is_set():
            try:
                name, reader = publish.open_published(folder)
                build = reader.execute("select build_id from builds").fetchall()[0][0]
                reader.execute("select count(*) from scan_levels").fetchall()
                reader.close()
                if int(name[6:12]) != int(build[1:]) + 1:
                    faults.append(f"{name} holds {build}")
                seen.add(build)
            except Exception as error:
                faults.append(str(error))

    def wait_until_seen(build: str) -> None:
        until = time.monotonic() + PATIENCE_S
        while build not in seen and not faults and time.monotonic() < until:
            time.sleep(0.005)

    readers = [threading.Thread(target=read) for _ in range(2)]
    for thread in readers:
        thread.start()
    wait_until_seen("b0")
    for n in range(1, 7):
        publish_it(engine, folder, f"b{n}")
    wait_until_seen("b6")
    stop.set()
    for thread in readers:
        thread.join()
    assert faults == []
    assert {"b0", "b6"} <= seen


def test_a_file_that_is_gone_before_it_is_opened_is_passed_over_for_the_newest(
    engine: DuckDB, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    publish_it(engine, folder, "old")
    open_it, newer = published_files._open, iter(range(4))

    def open_late(path: Path, config: dict[str, Any]) -> duckdb.DuckDBPyConnection:
        for n in newer:
            publish_it(engine, folder, f"new{n}")
        return open_it(path, config)

    monkeypatch.setattr(published_files, "_open", open_late)
    _, reader = publish.open_published(folder)
    assert reader.execute("select build_id from builds").fetchall() == [("new3",)]


def contents(path: Path) -> dict[str, list[tuple[object, ...]]]:
    with duckdb.connect(str(path), read_only=True) as reader:
        names = [t for (t,) in reader.execute("select table_name from duckdb_tables()").fetchall()]
        return {name: reader.execute(f'from "{name}"').fetchall() for name in names}


def comments(path: Path) -> list[tuple[str, str, str]]:
    """What a file says of each column, and of each table that is described."""
    asked = (
        "select table_name, column_name, comment from duckdb_columns() union all"
        " select table_name, '', comment from duckdb_tables() order by all"
    )
    with duckdb.connect(str(path), read_only=True) as reader:
        return reader.execute(asked).fetchall()


def test_what_changed_alone_gives_the_same_file_as_all_of_it(tmp_path: Path) -> None:
    engine = small_fleet.empty_engine()
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    for batch in range(1, 5):
        small_fleet.add_batch(engine, 6, batch)
        small_fleet.build(engine)
        if batch % 2:  # now and then two builds wait for one publishing
            publish_it(engine, tmp_path / "a")
    grown = publish_it(engine, tmp_path / "a")
    engine.connection.execute("delete from build.published")
    whole = publish_it(engine, tmp_path / "b")
    found, expected = contents(grown), contents(whole)
    for tables in (found, expected):
        del tables["finding_history"]  # tells one file's forerunners from the other's, and they differ
    assert set(found) == set(expected)
    assert {name: d for name in found if (d := case_tables.differences(found[name], expected[name]))} == {}


def test_a_file_of_which_all_is_made_anew_does_not_carry_the_last_one(tmp_path: Path) -> None:
    engine = small_fleet.empty_engine()
    small_fleet.add_batch(engine, 6, 1)
    small_fleet.build(engine)
    engine.connection.execute(
        "create or replace table van_levels as select repeat(cast(hash(i) as varchar), 50) as van from range(50000) r(i)"
    )
    first = publish_it(engine, tmp_path)
    with publish.drafting(engine, models.load(), tmp_path, is_whole=True) as draft:
        small_fleet.build(engine, full=True, after=draft.work())
        second = draft.hand_over(ROW)
    assert second.stat().st_size < first.stat().st_size / 2
    assert set(contents(first)) == set(contents(second))


@pytest.mark.parametrize("is_damaged", [False, True])
def test_a_file_made_anew_says_what_the_last_one_said(
    engine: DuckDB, folder: Path, *, is_damaged: bool
) -> None:
    first = publish_it(engine, folder)
    told = comments(first)
    if is_damaged:
        first.write_bytes(b"no database")
    with publish.drafting(engine, models.load(), folder, is_whole=True) as draft:
        for work in draft.work():
            work.run(engine, {})
        second = draft.hand_over(ROW)
    assert comments(second) == told
    assert len(contents(second)["vans"]) == engine.values("select count(*) from vans")[0]


def test_another_description_is_written_though_no_row_changed(engine: DuckDB, folder: Path) -> None:
    publish_it(engine, folder)
    plan = [replace(m, sentence="Something else.") if m.name == "vans" else m for m in models.load()]
    publish.publish(engine, plan, folder, ROW)
    _, reader = publish.open_published(folder)
    comment = reader.execute("select comment from duckdb_tables() where table_name = 'vans'").fetchall()
    assert comment[0][0].startswith("Something else.")


def result(severity: str, n_rows: int) -> CheckResult:
    return CheckResult("some_check", severity, "Nothing is wrong.", "Mend it.", n_rows, ({"van": "041"},))


def test_a_stop_check_keeps_the_last_build_and_a_warning_does_not(engine: DuckDB, folder: Path) -> None:
    publish_it(engine, folder, "good")
    with pytest.raises(KinbayError, match=r"some_check: 2 row\(s\).*Mend it"):
        publish.publish(engine, models.load(), folder, ROW | {"build_id": "bad"}, [result("stop", 2)])
    _, reader = publish.open_published(folder)
    assert reader.execute("select build_id from builds").fetchall() == [("good",)]
    results = [result("warn", 2), result("stop", 0)]
    publish.publish(engine, models.load(), folder, ROW | {"build_id": "warned"}, results)
    _, reader = publish.open_published(folder)
    kept = reader.execute("select severity, n_rows, examples from check_results").fetchall()
    assert kept == [("warn", 2, '[{"van": "041"}]'), ("stop", 0, '[{"van": "041"}]')]


KILLED = """
    import os, sys
    sys.path.insert(0, {root!r})
    from pathlib import Path
    import duckdb
    from pipeline.warehouse import models, publish
    from tests.warehouse import small_fleet
    engine = small_fleet.empty_engine(duckdb.connect({work!r}))
    publish.{step} = lambda *args, **more: os._exit(7)
    publish.publish(engine, models.load(), Path({folder!r}), {{"build_id": "cut"}})
"""


@pytest.fixture(scope="module")
def published_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a work file and the warehouse folder it has published to; tests change copies of it."""
    root = tmp_path_factory.mktemp("published_once")
    (root / "warehouse").mkdir()
    with duckdb.connect(str(root / "work.duckdb")) as connection:
        made = small_fleet.empty_engine(connection)
        small_fleet.add_batch(made, 7, 1)
        small_fleet.build(made)
        publish_it(made, root / "warehouse", "whole")
    return root


@pytest.mark.parametrize("step", ["_sync", "_point"])
def test_a_killed_publishing_leaves_the_last_file(tmp_path: Path, published_once: Path, step: str) -> None:
    shutil.copytree(published_once, tmp_path, dirs_exist_ok=True)
    work, folder = tmp_path / "work.duckdb", tmp_path / "warehouse"
    script = textwrap.dedent(KILLED.format(root=str(ROOT), work=str(work), folder=str(folder), step=step))
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 7
    name, reader = publish.open_published(folder)
    assert reader.execute("select build_id from builds").fetchall() == [("whole",)]
    with duckdb.connect(str(work)) as connection:
        made = small_fleet.empty_engine(connection)
        small_fleet.add_batch(made, 7, 2)
        small_fleet.build(made)
        after = publish_it(made, folder, "after")
        assert after.name > name
        expected = connection.execute("select count(*) from scan_levels").fetchall()
    _, reader = publish.open_published(folder)
    assert reader.execute("select count(*) from scan_levels").fetchall() == expected


def test_a_stray_column_of_the_build_row_is_refused(engine: DuckDB, folder: Path) -> None:
    with pytest.raises(KinbayError, match="colour"):
        publish.publish(engine, models.load(), folder, ROW | {"colour": "red"})
    assert not (folder / "current.json").exists()
    assert engine.connection.execute(
        "select count(*) from duckdb_databases() where database_name = 'published'"
    ).fetchall() == [(0,)]


@pytest.mark.parametrize(
    "pointer", [None, "", "[]", "{}", '{"file": "../../etc/passwd"}', '{"file": "marts-000009.duckdb"}']
)
def test_a_pointer_to_nothing_is_told(tmp_path: Path, pointer: str | None) -> None:
    if pointer is not None:
        (tmp_path / "current.json").write_text(pointer)
    with pytest.raises(KinbayError, match="Nothing is built yet"):
        publish.open_published(tmp_path)


def test_a_damaged_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "marts-000001.duckdb").write_bytes(os.urandom(5000))
    (tmp_path / "current.json").write_text('{"file": "marts-000001.duckdb"}')
    with pytest.raises(KinbayError, match="cannot be opened"):
        publish.open_published(tmp_path)


def test_a_folder_with_a_quote_in_its_name(engine: DuckDB, tmp_path: Path, folder: Path) -> None:
    odd = tmp_path / "it's; drop table vans --"
    odd.mkdir()
    publish_it(engine, odd)
    assert publish.open_published(odd)[0] == "marts-000001.duckdb"


def test_tables_are_exported_a_file_each(tmp_path: Path) -> None:
    home = Home(tmp_path / "home").ensure()
    made = small_fleet.empty_engine()
    small_fleet.add_batch(made, 5, 1)
    note = {"batch_id": 1, "file_id": "n", "line": 2, "van": "001", "at": dt.datetime(2026, 3, 1, 18, 20)}
    texts = ['=HYPERLINK("x")', "+1", "-2", "@a", "\tb", "plain, with a comma", "don't"]
    small_fleet.insert(made, "raw.notes", [{**note, "text": text} for text in texts])
    small_fleet.build(made)
    publish_it(made, home.warehouse)
    names = publish.export_tables(home, tmp_path / "out" / "deep", "csv")
    assert {p.name for p in (tmp_path / "out" / "deep").iterdir()} == {f"{n}.csv" for n in names}
    assert {"findings", "vans", "builds"} <= set(names)
    with (tmp_path / "out" / "deep" / "notes.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {r["text"] for r in rows} == {*("'" + t for t in texts[:5]), *texts[5:]}
    assert {r["at"] for r in rows} == {"2026-03-01T18:20:00Z"}
    publish.export_tables(home, tmp_path / "parquet", "parquet")
    table = pyarrow.parquet.read_table(tmp_path / "parquet" / "notes.parquet")
    assert sorted(table.column("text").to_pylist()) == sorted(texts)
    with pytest.raises(KinbayError, match="xlsx"):
        publish.export_tables(home, tmp_path, "xlsx")
    (tmp_path / "file").write_text("")
    with pytest.raises(KinbayError, match="cannot be written"):
        publish.export_tables(home, tmp_path / "file", "csv")
