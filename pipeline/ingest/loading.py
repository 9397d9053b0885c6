"""Loading: stage, recognise, normalise, store. One transaction per load; originals are kept before rows count."""

from __future__ import annotations

import shutil
import tempfile
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from pipeline.errors import KinbayError
from pipeline.ingest import answering, journal, originals
from pipeline.ingest.originals import Acceptance, Staged
from pipeline.ingest.reports import FileReport, LoadReport
from pipeline.ingest.taking import Taken, take
from pipeline.normalise import Answers, Question
from pipeline.normalise.times import utc_now
from pipeline.read import Layout, Recognised, Refusal, Source, find_sources, read_layouts, recognise
from pipeline.settings import Home
from pipeline.warehouse import lock, raw

Progress = Callable[[str, int, int], None]
LOCK_WAIT_S = 30.0


@dataclass
class Candidate:
    """One file on its way: what it is, and what became of it."""

    source: Source | Refusal
    staged: Staged | None = None
    found: list[Recognised] = field(default_factory=list)
    fault: KinbayError | None = None
    questions: tuple[Question, ...] = ()
    reports: list[FileReport] = field(default_factory=list)
    acceptance: Acceptance | None = None
    is_known: bool = False

    @property
    def layout(self) -> str | None:
        """The layout it is read by."""
        return next((f.layout.name for f in self.found if f.layout is not None), None)

    @property
    def reads_first(self) -> tuple[int, int]:
        """Registers and scans come before the rows that refer to them."""
        tables = {t for f in self.found for t in f.table.split("+")}
        return (0 if "register" in tables else 1, 0 if "scans" in tables else 1)

    def wait(self, fault: KinbayError | None, questions: tuple[Question, ...] = ()) -> None:
        """Note that the file waits for a person."""
        self.fault, self.questions = fault, questions
        said = (str(fault),) if fault is not None else tuple(q.asks for q in questions)
        table = "+".join(dict.fromkeys(f.table for f in self.found)) or None
        self.reports = [FileReport(self.source.name, self.layout, table, questions=said)]


@contextmanager
def open_store(home: Home) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the raw store as its one writer; what is not committed is rolled back."""
    home.ensure()
    with lock.hold(home.warehouse / ".lock", LOCK_WAIT_S):
        originals.clear_staged(home)
        connection = raw.open_work(home)
        try:
            yield connection
        finally:
            connection.close()
            originals.clear_staged(home)


def load(
    home: Home,
    paths: Sequence[Path],
    *,
    layout: str | None = None,
    van: str | None = None,
    progress: Progress | None = None,
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
    progress : callable, optional
        Called with the file's name, bytes done and bytes in all.

    Returns
    -------
    LoadReport
        One report per file, or per sheet of a workbook.

    Raises
    ------
    KinbayError
        Where a path, the layout or a setting is not usable, or another writer is at work; nothing is stored then.
    """
    with open_store(home) as connection, tempfile.TemporaryDirectory(dir=home.warehouse) as scratch:
        layouts = read_layouts(home.layouts)
        if layout is not None and layout not in layouts:
            recognise(Source(home.path, layout, home.path), layouts, layout)
        sources = list(find_sources(list(paths) or [home.inbox], Path(scratch)))
        candidates = [_prepare(home, connection, s, layouts, layout, van) for s in sources]
        _mark_repeats(candidates)
        batch_id = max(raw.next_batch(connection), journal.read_withdrawals(home).last_batch + 1)
        connection.begin()
        accepted = _take_all(home, connection, candidates, batch_id, van, progress)
        for one in accepted:
            if one.staged is not None and one.acceptance is not None:
                originals.keep(home, one.staged, one.acceptance)
        connection.commit()
        _tidy_up(home, candidates)
    reports = tuple(r for c in candidates for r in c.reports)
    return LoadReport(reports, batch_id if accepted else None)


def _prepare(
    home: Home,
    connection: duckdb.DuckDBPyConnection,
    source: Source | Refusal,
    layouts: dict[str, Layout],
    layout: str | None,
    van: str | None,
) -> Candidate:
    """Stage a file and say what it is, unless its content is known already."""
    one = Candidate(source)
    if isinstance(source, Refusal):
        one.wait(source.fault)
        return one
    try:
        one.staged = originals.stage(home, source.path, source.suffix)
    except OSError as error:
        one.wait(KinbayError(f"The file cannot be read: {error.strerror}", source.name, "Check its rights."))
        return one
    known = connection.execute(
        "select file, table_name, taken + duplicates, layout from raw.files where file_id = $1",
        [one.staged.file_id],
    ).fetchall()
    if known:
        one.is_known = True
        one.reports = [
            FileReport(source.name, row[3], row[1], duplicates=row[2], notes=(f"loaded before as {row[0]}",))
            for row in known
        ]
        return one
    try:
        one.found = recognise(
            Source(one.staged.path, source.name, source.dropped), layouts, layout, van is not None
        )
    except KinbayError as fault:
        one.wait(KinbayError(fault.what, fault.where or source.name, fault.remedy))
    return one


def _mark_repeats(candidates: Sequence[Candidate]) -> None:
    """Of files with the same content in one load only the first is read."""
    seen: dict[str, str] = {}
    for one in candidates:
        if one.staged is None or one.is_known or not one.found:
            continue
        first = seen.setdefault(one.staged.file_id, one.source.name)
        if first != one.source.name:
            one.is_known = True
            one.reports = [
                FileReport(one.source.name, one.layout, one.found[0].table, notes=(f"the same as {first}",))
            ]


def _take_all(
    home: Home,
    connection: duckdb.DuckDBPyConnection,
    candidates: Sequence[Candidate],
    batch_id: int,
    van: str | None,
    progress: Progress | None,
) -> list[Candidate]:
    """Store the rows of every file that can be read, registers and scans first."""
    total = sum(c.staged.size_bytes for c in candidates if c.staged and not c.reports)
    now, done = utc_now(), 0
    remembered = journal.read_entries(home, "answer")
    accepted: list[Candidate] = []
    for one in sorted((c for c in candidates if not c.reports), key=lambda c: c.reads_first):
        staged, source = one.staged, one.source
        if staged is None or isinstance(source, Refusal):
            continue
        answers = answering.answers_for(remembered, source.dropped, one.layout)
        acceptance = Acceptance(
            file_id=staged.file_id,
            file=source.name,
            suffix=staged.suffix,
            layout=one.layout,
            van=van,
            batch_id=batch_id,
            position=len(accepted),
            loaded_at=now.isoformat(timespec="seconds") + "Z",
            labels=dict(answers.labels),
            units=dict(answers.units),
        )
        base = done

        def show(size: int, name: str = source.name, base: int = base) -> None:
            if progress is not None:
                progress(name, min(total, base + size), total)

        show(0)
        taken = _take(home, connection, one.found, staged, acceptance, show)
        done += staged.size_bytes
        if taken.fault is not None or taken.questions:
            one.wait(taken.fault, taken.questions)
            continue
        one.reports, one.acceptance = list(taken.reports), acceptance
        accepted.append(one)
    return accepted


def _take(
    home: Home,
    connection: duckdb.DuckDBPyConnection,
    found: list[Recognised],
    staged: Staged,
    acceptance: Acceptance,
    show: Callable[[int], None],
) -> Taken:
    answers = Answers(acceptance.labels, acceptance.units)
    return take(connection, found, staged, acceptance, answers, home.settings.time_zone, show)


def _tidy_up(home: Home, candidates: Sequence[Candidate]) -> None:
    """Empty the inbox of what is stored, and put questions beside what waits; the rows are safe by now."""
    now, inbox = utc_now(), home.inbox.resolve()
    by_file: dict[Path, list[Candidate]] = {}
    for one in candidates:
        by_file.setdefault(one.source.dropped, []).append(one)
    for dropped, members in by_file.items():
        is_inside = dropped.parent.resolve().is_relative_to(inbox)
        waiting = [m for m in members if m.fault is not None or m.questions]
        if not waiting:
            if is_inside:
                answering.note_answers(home, dropped, dropped.name, members[0].layout, now)
                _remove(dropped, inbox)
            continue
        questions = list({(q.kind, q.subject): q for m in waiting for q in m.questions}.values())
        fault = next((m.fault for m in waiting if m.fault is not None), None)
        if is_inside:
            answering.write_questions(dropped, questions, fault)
        elif questions and not dropped.is_symlink():
            answering.write_questions(_copy_to_inbox(home, dropped), questions, fault)


def _remove(file: Path, inbox: Path) -> None:
    """Remove a loaded file from the inbox, and folders that are empty without it."""
    file.unlink(missing_ok=True)
    folder = file.parent.resolve()
    while folder != inbox and folder.is_relative_to(inbox) and not any(folder.iterdir()):
        folder.rmdir()
        folder = folder.parent


def _copy_to_inbox(home: Home, file: Path) -> Path:
    """Let a file that waits do so in the inbox, where its question can be answered."""
    target = home.inbox / file.name
    if target.exists() and target.read_bytes() != file.read_bytes():
        target = home.inbox / f"{file.stem}-{uuid.uuid4().hex[:8]}{file.suffix}"
    if not target.exists():
        beside = home.inbox / f".{uuid.uuid4().hex}.part"
        shutil.copyfile(file, beside)
        beside.replace(target)
    return target


def rebuild_raw(home: Home) -> int:
    """Read every original that was not withdrawn once more into an empty raw store.

    Returns
    -------
    int
        The number of files read.

    Raises
    ------
    KinbayError
        Where an original or layout is missing or changed; the store is then left as it was.
    """
    with open_store(home) as connection:
        return rebuild_open(home, connection)


def rebuild_open(home: Home, connection: duckdb.DuckDBPyConnection) -> int:
    """Do the work of `rebuild_raw` in a store that is open already."""
    withdrawn = journal.read_withdrawals(home)
    layouts = read_layouts(home.layouts)
    alive = [a for a in originals.list_accepted(home) if not withdrawn.covers(a.file_id, a.batch_id)]
    connection.begin()
    raw.recreate(connection)
    for acceptance in alive:
        staged = originals.original_of(home, acceptance)
        source = Source(staged.path, acceptance.file, staged.path)
        found = recognise(source, layouts, acceptance.layout, acceptance.van is not None)
        taken = _take(home, connection, found, staged, acceptance, lambda _size: None)
        if taken.fault is not None or taken.questions:
            asked = taken.questions[0].asks if taken.questions else ""
            raise taken.fault or KinbayError("An original asks a question again", acceptance.file, asked)
    connection.commit()
    return len(alive)
