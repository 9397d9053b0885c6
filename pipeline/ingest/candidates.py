"""Files on their way into the store: staged, recognised, and told apart from those that are there already."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import duckdb

from pipeline.errors import KinbayError
from pipeline.ingest import answering, entries, originals, proposing
from pipeline.ingest.originals import Acceptance, Staged
from pipeline.ingest.reports import FileReport
from pipeline.normalise import Question
from pipeline.read import Layout, Recognised, Refusal, Source, UnknownFileError, recognise
from pipeline.settings import Home

Signature = tuple[int, int, int]


def signature(file: Path) -> Signature | None:
    """Return what changes when somebody writes a file anew: inode, size, time of the last change."""
    try:
        found = file.lstat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns


@dataclass
class Candidate:
    """One file on its way: what it is, and what became of it.

    `dropped_as` is the signature of the dropped file before it was read; `repeats` is the candidate of the
    same load with the same content, which alone is read.
    """

    source: Source | Refusal
    dropped_as: Signature | None = None
    staged: Staged | None = None
    found: list[Recognised] = field(default_factory=list)
    fault: KinbayError | None = None
    questions: tuple[Question, ...] = ()
    reports: list[FileReport] = field(default_factory=list)
    acceptance: Acceptance | None = None
    repeats: Candidate | None = None
    is_entry: bool = False

    @property
    def layout(self) -> str | None:
        """The layout it is read by."""
        return next((f.layout.name for f in self.found if f.layout is not None), None)

    @property
    def is_to_be_read(self) -> bool:
        """Whether its rows still have to be taken."""
        return not self.reports and self.repeats is None

    @property
    def is_waiting(self) -> bool:
        """Whether it, or the file it repeats, waits for a person."""
        own = self.fault is not None or bool(self.questions)
        return own or (self.repeats is not None and self.repeats.is_waiting)

    @property
    def reads_first(self) -> tuple[int, int]:
        """Registers and scans come before the rows that refer to them."""
        tables = {t for f in self.found for t in f.table.split("+")}
        return (0 if "register" in tables else 1, 0 if "scans" in tables else 1)

    def wait(self, fault: KinbayError | None, questions: tuple[Question, ...] = ()) -> None:
        """Note that the file waits for a person."""
        self.fault, self.questions = fault, questions
        said = ((str(fault),) if fault is not None else ()) + tuple(q.asks for q in questions)
        table = "+".join(dict.fromkeys(f.table for f in self.found)) or None
        self.reports = [FileReport(self.source.name, self.layout, table, questions=said)]


def prepare(
    home: Home,
    connection: duckdb.DuckDBPyConnection,
    source: Source | Refusal,
    layouts: dict[str, Layout],
    layout: str | None,
    *,
    is_van_given: bool,
    is_entry: bool = False,
    trial: bool = False,
) -> Candidate:
    """Stage a file and say what it is, unless its content is in the store already."""
    one = Candidate(source, signature(source.dropped), is_entry=is_entry)
    if isinstance(source, Refusal):
        one.wait(source.fault)
        return one
    try:
        one.staged = (
            entries.stage_entry(source.path)
            if is_entry
            else originals.stage(home, source.path, source.suffix)
        )
    except OSError as error:
        one.wait(KinbayError(f"The file cannot be read: {error.strerror}", source.name, "Check its rights."))
        return one
    known = connection.execute(
        "select file, table_name, taken + duplicates, layout from raw.files where file_id = $1",
        [one.staged.file_id],
    ).fetchall()
    if known:
        one.reports = [
            FileReport(source.name, row[3], row[1], duplicates=row[2], notes=(_say_before(row[0], row[2]),))
            for row in known
        ]
        return one
    staged = Source(one.staged.path, source.name, source.dropped, source.folder)
    try:
        one.found = (
            entries.recognise_entry(source.path)
            if is_entry
            else recognise(staged, layouts, layout, is_van_given)
        )
    except UnknownFileError as fault:
        _propose(home, one, staged, layouts, fault, is_van_given=is_van_given, trial=trial)
    except KinbayError as fault:
        one.wait(KinbayError(fault.what, fault.where or source.name, fault.remedy))
    return one


def _say_before(name: str, n_rows: int) -> str:
    """Say that a file was loaded before; one that gave nothing can be read another way once it is withdrawn."""
    said = f"loaded before as {name}"
    return (
        said if n_rows else f"{said}, and nothing was taken; kinbay withdraw it first to read it another way"
    )


def _propose(
    home: Home,
    one: Candidate,
    staged: Source,
    layouts: dict[str, Layout],
    unknown: KinbayError,
    *,
    is_van_given: bool,
    trial: bool,
) -> None:
    """Let an unknown file wait with a proposal and its questions; a proposal that was accepted becomes a layout.

    On trial the layout holds for this load alone, and is not kept.
    """
    said = KinbayError(unknown.what, unknown.where or staged.name, unknown.remedy)
    answers = answering.answers_beside(staged.dropped)
    try:
        proposed = proposing.look(home, staged, answers, taken=set(layouts))
    except KinbayError:
        one.wait(said)
        return
    proposal = proposed.proposal
    if proposal.layout is not None and proposal.is_complete and answering.is_accepted(staged.dropped):
        if not trial:
            proposing.keep(home, staged.name, proposal)
        layouts[proposal.name] = proposal.layout
        try:
            one.found = recognise(staged, layouts, proposal.name)
        except KinbayError as fault:
            one.wait(KinbayError(fault.what, fault.where or staged.name, fault.remedy))
        return
    facts = () if is_van_given else proposal.facts
    one.wait(said, (*proposal.questions, *facts, proposing.to_accept(proposed)))


def refuse_redacted(candidates: Sequence[Candidate], redacted: set[str]) -> None:
    """Let a file wait that is known to hold a name which was removed on purpose."""
    for one in candidates:
        if one.staged is not None and one.staged.file_id in redacted:
            what = "This file holds a person's name that was removed from the home on purpose"
            one.wait(KinbayError(what, one.source.name, "Take the name out of the file, or do not load it."))


def mark_repeats(candidates: Sequence[Candidate]) -> None:
    """Of files with the same content in one load only the first is read."""
    seen: dict[str, Candidate] = {}
    for one in candidates:
        if one.staged is not None and one.is_to_be_read:
            first = seen.setdefault(one.staged.file_id, one)
            one.repeats = None if first is one else first


def report_repeats(candidates: Sequence[Candidate]) -> None:
    """Say of a repeat what became of the file it repeats."""
    for one in candidates:
        if one.repeats is not None:
            said = (f"the same as {one.repeats.source.name}",)
            one.reports = [
                replace(
                    report,
                    file=one.source.name,
                    taken=0,
                    duplicates=report.taken + report.duplicates,
                    rejected=0,
                    rejects=(),
                    without_value=0,
                    notes=said,
                )
                for report in one.repeats.reports
            ]
