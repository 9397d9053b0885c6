"""One build: models, computed tables, checks, publishing."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import duckdb

from pipeline.build import code_notes, decided, journal_rows, planned
from pipeline.counted import count_of
from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.warehouse import checks, models, publish, raw, runner, words
from pipeline.warehouse.checks import CheckResult
from pipeline.warehouse.engines import DuckDB

_COUNTS = """
select
    (select count(*) from vans) as vans,
    (select count(*) from scans) as scans,
    (select coalesce(sum(n_readings), 0) from scans) as readings,
    (select max(data_to) from int_fleet) as data_to,
    (select coalesce(sum(cells_tested), 0) from computed.score_summary) as cells_tested,
    (select max(p_cutoff) from computed.score_summary) as p_cutoff,
    (select coalesce(sum(expected_by_chance), 0) from computed.score_summary) as expected_by_chance,
    (select count(*) from findings where tier = 'finding') as n_findings
"""


@dataclass(frozen=True)
class BuildReport:
    """What a build did.

    Parameters
    ----------
    build_id : str
        Name of the build; empty where a check stopped it.
    is_published : bool
        False where a stop check kept the last build in place.
    counts : mapping
        The row of table `builds`.
    steps : tuple of Step
        What was done with each table.
    results : tuple of CheckResult
        What the checks found.
    """

    build_id: str
    is_published: bool
    counts: Mapping[str, Any]
    steps: tuple[runner.Step, ...]
    results: tuple[CheckResult, ...]

    @property
    def rebuilt(self) -> int:
        """Tables rebuilt at least in part."""
        return sum(step.action != "skip" for step in self.steps)

    @property
    def total(self) -> int:
        """Tables in all."""
        return len(self.steps)

    def lines(self) -> list[str]:
        """Return the report as lines for a terminal, the outcome last."""
        told = [
            f"{'Stopped by' if r.stops else 'Mind'} {r.name}: {count_of(r.n_rows, 'row')} against: {r.sentence} {r.remedy}".rstrip()
            for r in self.results
            if r.n_rows
        ]
        c = self.counts
        if not self.is_published:
            return [*told, "Not published; the last build stays."]
        return [
            *told,
            f"Built {self.build_id}: {count_of(c['vans'], 'van')}, {count_of(c['scans'], 'scan')}, {count_of(c['readings'], 'reading')}; "
            f"{count_of(c['cells_tested'], 'comparison')}, {count_of(c['n_findings'], 'finding')} "
            f"(about {c['expected_by_chance']:.1f} expected by chance).",
        ]


def _refuse_empty(engine: DuckDB) -> None:
    if not engine.values("select 1 from raw.scans limit 1") and not engine.values(
        "select 1 from raw.vans limit 1"
    ):
        raise KinbayError("There is nothing to build", remedy="Load files first: kinbay load FILE ...")


def build(
    home: Home,
    full: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
    store: duckdb.DuckDBPyConnection | None = None,
) -> BuildReport:
    """Bring every model and computed table of a home up to date and publish the marts.

    Parameters
    ----------
    home : Home
        The fleet's folder.
    full : bool
        Build everything afresh instead of what new rows can have changed.
    progress : callable
        Called with the table's name, its place and the number of tables.
    store : duckdb.DuckDBPyConnection, optional
        The work file, where the caller holds it open already and locked.

    Raises
    ------
    KinbayError
        Where nothing was loaded yet, another process holds the work file, or a setting is wrong.
    """

    def show(step: runner.Step) -> None:
        if progress:
            progress(step.name, step.number, step.total)

    settings = home.settings
    with raw.hold_work(home) if store is None else contextlib.nullcontext(store) as connection:
        words.write(connection, settings)
        code_notes.write_notes(connection, home)
        journal_rows.write_journal_rows(connection, home)
        engine = DuckDB(connection)
        engine.share_cores()
        _refuse_empty(engine)
        plan = models.load()
        now = datetime.now(UTC).replace(tzinfo=None, microsecond=0)
        steps = planned.planned_steps(engine, settings) | {
            decided.DECISIONS: decided.decisions_step(home, now.date())
        }
        if engine.values("select 1 from raw.files where batch_id > (select max(batch_id) from build.batch)"):
            planned.import_beside()
        with publish.drafting(engine, plan, home.warehouse, is_whole=full) as draft:
            checking = checks.Checking(plan, engine.unpublished())
            after = [*checking.work(), *draft.work()]
            done = runner.build(engine, plan, steps, show, after, full=full)
            results = checking.results()
            counts = _counts(engine)
            if any(r.stops for r in results):
                return BuildReport("", False, counts, tuple(done), tuple(results))
            batch = engine.values("select coalesce(max(batch_id), 0) from raw.files")[0]
            counts |= {"build_id": _build_id(now, batch), "built_at": now}
            with engine.kept_meanwhile():
                draft.hand_over(counts, results)
    return BuildReport(counts["build_id"], True, counts, tuple(done), tuple(results))


def _counts(engine: DuckDB) -> dict[str, Any]:
    """What is told of a build, by name."""
    asked = engine.connection.execute(_COUNTS)
    names = [column[0] for column in asked.description or ()]
    counts = dict(zip(names, asked.fetchall()[0], strict=True))
    return counts | {name: int(counts[name]) for name in ("readings", "cells_tested")}


def _build_id(now: datetime, batch: int) -> str:
    """A short name that no two builds share: the time it was built and the newest batch in it."""
    return f"{now:%Y%m%d-%H%M%S}-{batch}"
