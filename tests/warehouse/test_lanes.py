"""Jobs that wait for one another: what may run at once does, in an order that no timing changes, and a fault ends it."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import KinbayError
from pipeline.warehouse import models, runner
from pipeline.warehouse.engines import DuckDB, Engine, Parts
from pipeline.warehouse.lanes import work_off
from tests.patience import PATIENCE_S
from tests.warehouse import small_fleet


class Lane:
    """Says whether it was asked to stop."""

    def __init__(self) -> None:
        self.is_interrupted = threading.Event()

    def interrupt(self) -> None:
        self.is_interrupted.set()


def test_each_job_begins_after_those_it_waits_for_and_two_run_at_once() -> None:
    graph = {"a": [], "b": [], "c": ["a", "b"], "d": ["c"], "e": ["c"]}
    both, begun, noted = threading.Barrier(2, timeout=PATIENCE_S), [], []

    def job(name: str, _: Lane) -> str:
        begun.append(name)
        if name != "c":
            both.wait()
        return name.upper()

    work_off(
        graph, [Lane(), Lane()], job, lambda name, made: noted.append((name, made)), dict.fromkeys(graph, 0)
    )
    assert sorted(noted) == [(n, n.upper()) for n in "abcde"]
    assert begun[2] == "c"
    assert noted.index(("c", "C")) == 2


def test_one_lane_takes_the_most_urgent_first_and_equals_as_the_graph_has_them() -> None:
    graph = {"late": [], "first": [], "second": [], "last": ["late"]}
    noted: list[str] = []
    work_off(
        graph,
        [Lane()],
        lambda name, _: None,
        lambda name, _: noted.append(name),
        {"late": 0, "first": 5, "second": 5, "last": 9},
    )
    assert noted == ["first", "second", "late", "last"]


def test_a_fault_is_told_as_it_is_and_stops_what_is_under_way() -> None:
    lanes, noted, begun = [Lane(), Lane()], [], threading.Event()

    def job(name: str, lane: Lane) -> None:
        if name == "long":
            begun.set()
            assert lane.is_interrupted.wait(PATIENCE_S)
            raise RuntimeError("interrupted")
        begun.wait(PATIENCE_S)
        raise KinbayError("The work file is full")

    with pytest.raises(KinbayError, match="The work file is full"):
        work_off(
            {"long": [], "bad": [], "never": ["bad"]},
            lanes,
            job,
            lambda name, _: noted.append(name),
            {"long": 1, "bad": 1, "never": 1},
        )
    assert noted == []


def test_a_job_that_was_between_two_queries_is_interrupted_again() -> None:
    """An engine forgets an interruption that falls between two queries; the job then begins its next one."""
    asked, begun = threading.Semaphore(0), threading.Event()

    class Deaf:
        def interrupt(self) -> None:
            asked.release()

    def job(name: str, _: Deaf) -> None:
        if name == "bad":
            begun.wait(PATIENCE_S)
            raise KinbayError("The work file is full")
        begun.set()
        heard = [asked.acquire(timeout=PATIENCE_S) for _ in range(3)]
        assert all(heard)
        ended.append(name)

    ended: list[str] = []
    with pytest.raises(KinbayError, match="The work file is full"):
        work_off(
            {"long": [], "bad": []}, [Deaf(), Deaf()], job, lambda *_: None, dict.fromkeys(("long", "bad"), 0)
        )
    assert ended == ["long"]


def test_a_query_under_way_is_stopped_when_another_table_fails(tmp_path: Path) -> None:
    """A query that would take days ends with the build; the build's own message is that of the table that failed."""
    folder = tmp_path / "staging"
    folder.mkdir()
    (folder / "bad.sql").write_text(
        "-- Bad.\n-- kind: table\nwith t as (select error('no such luck') as x from raw.t) select * from t"
    )
    (folder / "endless.sql").write_text(
        "-- Endless.\n-- kind: table\nwith t as (select count(*) as n from raw.t as a, raw.t as b, raw.t as c"
        " where a.x + b.x * c.x = -1) select * from t"
    )
    connection = duckdb.connect()
    connection.execute("create schema raw")
    connection.execute("create table raw.t as select 1 as batch_id, i as x from range(100000) as r(i)")
    with pytest.raises(duckdb.Error, match="no such luck"):
        runner.build(DuckDB(connection), models.load(tmp_path))
    assert connection.execute("select count(*) from build.fingerprints").fetchall() == [(0,)]


def test_work_on_finished_tables_waits_for_them_and_is_no_step(tmp_path: Path) -> None:
    folder = tmp_path / "staging"
    folder.mkdir()
    (folder / "one.sql").write_text(
        "-- One.\n-- kind: table\nwith t as (select x from raw.t) select * from t"
    )
    connection = duckdb.connect()
    connection.execute("create schema raw")
    connection.execute("create table raw.t as select 1 as batch_id, 5 as x")
    engine, seen = DuckDB(connection), []
    told: list[runner.Step] = []

    def look(lane: Engine, rebuilt: Mapping[str, Parts]) -> None:
        seen.append((lane.values("select x from one"), rebuilt["one"]))

    after = [
        runner.Afterwards("look", ("one", "raw.t"), look),
        runner.Afterwards("look again", ("look",), look),
    ]
    done = runner.build(engine, models.load(tmp_path), progress=told.append, after=after)
    assert seen == [([5], "everything")] * 2
    assert (
        [(s.name, s.number, s.total) for s in done]
        == [("one", 1, 1)]
        == [(s.name, s.number, s.total) for s in told]
    )


def test_progress_counts_up_and_steps_come_parents_first() -> None:
    engine = small_fleet.empty_engine()
    told: list[runner.Step] = []
    small_fleet.add_batch(engine, 1, 1)
    done = small_fleet.build(engine, progress=told.append)
    assert [s.number for s in told] == list(range(1, len(told) + 1))
    assert {s.total for s in told} == {len(told)}
    place = {s.name: n for n, s in enumerate(done)}
    assert all(place[p] < place[m.name] for m in models.load() for p in m.parents)
