"""Loading: stage, recognise, normalise, store. One transaction per load; originals are kept before rows count."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from pathlib import Path

import duckdb

from pipeline.ingest import answering, entries, journal, originals
from pipeline.ingest.candidates import Candidate, mark_repeats, prepare, refuse_redacted, report_repeats
from pipeline.ingest.inbox import tidy_inbox
from pipeline.ingest.opening import open_store
from pipeline.ingest.originals import Acceptance
from pipeline.ingest.rebuilding import bring_back
from pipeline.ingest.reports import LoadReport
from pipeline.ingest.taking import take
from pipeline.normalise.times import utc_now
from pipeline.read import Layout, Source, find_sources, named_layout, read_layouts
from pipeline.settings import Home
from pipeline.warehouse import raw

Progress = Callable[[str, int, int], None]


def load(
    home: Home,
    paths: Sequence[Path],
    *,
    layout: str | None = None,
    van: str | None = None,
    trial: bool = False,
    progress: Progress | None = None,
    store: duckdb.DuckDBPyConnection | None = None,
) -> LoadReport:
    """Read, check, convert and store files; the same file twice changes nothing.

    Parameters
    ----------
    home : Home
        The fleet's folder.
    paths : sequence of Path
        Files, folders or zips; none means the home's inbox.
    layout : str, optional
        The layout to read them by, whatever they look like.
    van : str, optional
        The van of rows that name none.
    trial : bool
        Whether to say only what would happen: nothing is stored, moved or asked.
    progress : callable, optional
        Called with the file's name, bytes done and bytes in all.
    store : duckdb.DuckDBPyConnection, optional
        The work file, where the caller holds it open already (`open_store`).

    Returns
    -------
    LoadReport
        One report per file, or per sheet of a workbook.

    Raises
    ------
    KinbayError
        Where a path, the layout or a setting is not usable, or another writer is at work; nothing is stored then.
    """
    opened = open_store(home) if store is None else nullcontext(store)
    with opened as connection, tempfile.TemporaryDirectory(dir=home.warehouse) as scratch:
        layouts = read_layouts(home.layouts)
        if layout is not None:
            named_layout(layouts, layout)
        bring_back(home, connection)
        sources = list(find_sources(list(paths) or [home.inbox], Path(scratch), home.inbox))
        is_given = van is not None
        sources.sort(
            key=lambda source: not answering.is_accepted(source.dropped)
        )  # its layout holds for the rest
        candidates = [
            prepare(home, connection, s, layouts, layout, is_van_given=is_given, trial=trial) for s in sources
        ]
        if not trial and (not paths or home.inbox in paths):
            candidates += _new_entries(home, connection, layouts)
        refuse_redacted(candidates, journal.read_redacted(home))
        mark_repeats(candidates)
        batch_id = max(raw.next_batch(connection), journal.read_withdrawals(home).last_batch + 1)
        connection.begin()
        accepted = _take_all(home, connection, candidates, batch_id, van, progress)
        report_repeats(candidates)
        if trial:
            connection.rollback()
            return LoadReport(tuple(r for c in candidates for r in c.reports))
        for one in accepted:
            if one.staged is not None and one.acceptance is not None:
                originals.keep(home, one.staged, one.acceptance)
        connection.commit()
        tidy_inbox(home, candidates, utc_now())
    reports = tuple(r for c in candidates for r in c.reports)
    return LoadReport(reports, batch_id if accepted else None)


def _new_entries(
    home: Home, connection: duckdb.DuckDBPyConnection, layouts: dict[str, Layout]
) -> list[Candidate]:
    """Entries of the journal that are not in the store yet; they go along when the inbox is loaded."""
    known = {row[0] for row in connection.execute("select distinct file_id from raw.files").fetchall()}
    withdrawn = journal.read_withdrawals(home)
    found = [
        prepare(home, connection, s, layouts, None, is_van_given=False, is_entry=True)
        for s in entries.living_entries(home)
        if (file_id := entries.stage_entry(s.path).file_id) not in known and file_id not in withdrawn.until
    ]
    return found


def _take_all(
    home: Home,
    connection: duckdb.DuckDBPyConnection,
    candidates: Sequence[Candidate],
    batch_id: int,
    van: str | None,
    progress: Progress | None,
) -> list[Candidate]:
    """Store the rows of every file that can be read, registers and scans first."""
    waiting = sorted((c for c in candidates if c.is_to_be_read), key=lambda c: c.reads_first)
    total = sum(c.staged.size_bytes for c in waiting if c.staged is not None)
    now, done = utc_now(), 0
    remembered = journal.read_entries(home, "answer")
    accepted: list[Candidate] = []
    for one in waiting:
        if one.staged is None:
            continue
        answers = answering.answers_for(remembered, one.source.dropped, one.layout)
        acceptance = Acceptance(
            file_id=one.staged.file_id,
            file=one.source.name,
            suffix=one.staged.suffix,
            layout=one.layout,
            van=None if one.is_entry else van,
            batch_id=batch_id,
            position=len(accepted),
            loaded_at=now.isoformat(timespec="seconds") + "Z",
            labels=dict(answers.labels),
            units=dict(answers.units),
            facts=dict(answers.facts),
            folder=one.source.folder if isinstance(one.source, Source) else "",
            is_entry=one.is_entry,
        )
        show = _shower(progress, one.source.name, done, total)
        show(0)
        taken = take(connection, one.found, one.staged, acceptance, home.settings.time_zone, show)
        done += one.staged.size_bytes
        if taken.fault is not None or taken.questions:
            one.wait(taken.fault, taken.questions)
            continue
        one.reports, one.acceptance = list(taken.reports), acceptance
        accepted.append(one)
    return accepted


def _shower(progress: Progress | None, name: str, done: int, total: int) -> Callable[[int], None]:
    """Say how far a load has come when so many bytes of one file are read."""

    def show(size: int) -> None:
        if progress is not None:
            progress(name, min(total, done + size), total)

    return show
