"""Taking one file: its rows normalised piece by piece and put into the raw store."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import duckdb
import polars as pl

from pipeline.errors import KinbayError
from pipeline.ingest.confirming import SUBJECT, ask_to_confirm
from pipeline.ingest.doubts import Doubts
from pipeline.ingest.originals import Acceptance, Staged
from pipeline.ingest.reports import MOST_REJECTS_SHOWN, FileReport, Reject
from pipeline.ingest.store import Store
from pipeline.layouts.tables import tidy_tables
from pipeline.normalise import Answers, Conventions, Normalised, NumberMarks, Question, normalise
from pipeline.normalise.faults import REJECT_SCHEMA
from pipeline.read import Layout, Recognised
from pipeline.vocabulary import fold

NAMELESS = ("readings", "codes", "freeze_frames")
IN_ORDER = ("register", "scans")
TIME_FACTS = ("scanned_at", "at_date")
_ISO_DAY = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ]|$)")


@dataclass(frozen=True)
class Taken:
    """What became of one file: reports, or why it waits."""

    reports: tuple[FileReport, ...] = ()
    questions: tuple[Question, ...] = ()
    fault: KinbayError | None = None


@dataclass
class _Tally:
    """Counts of one sheet while its pieces go by."""

    taken: int = 0
    duplicates: int = 0
    rejected: int = 0
    without_value: int = 0
    rejects: list[Reject] = field(default_factory=list)
    notes: dict[str, None] = field(default_factory=dict)
    doubts: Doubts = field(default_factory=Doubts)

    def show_rejects(self, rejects: pl.DataFrame) -> None:
        room = MOST_REJECTS_SHOWN - len(self.rejects)
        self.rejects += [
            Reject(*row) for row in rejects.head(max(room, 0)).select(REJECT_SCHEMA.keys()).iter_rows()
        ]


def conventions_of(layout: Layout | None, acceptance: Acceptance, time_zone: str) -> Conventions:
    """Say how a file is written: as its layout says, or as tidy files are."""
    answers = Answers(acceptance.labels, acceptance.units)
    if layout is None:
        return Conventions(acceptance.moment, time_zone, answers=answers)
    words = frozenset(w for m in layout.file.missing for w in (m.strip(), fold(m)) if w)
    marks = NumberMarks(layout.file.decimal, layout.file.thousands, words)
    return Conventions(acceptance.moment, layout.time.zone or time_zone, marks, answers, asks_units=True)


def take(
    connection: duckdb.DuckDBPyConnection,
    found: Sequence[Recognised],
    staged: Staged,
    acceptance: Acceptance,
    time_zone: str,
    show: Callable[[int], None],
) -> Taken:
    """Store the rows of one file inside the caller's transaction; a file that has to wait leaves nothing.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        The work file, in a transaction.
    found : sequence of Recognised
        The file's sheets.
    staged : Staged
        The copy that is read.
    acceptance : Acceptance
        How it is read, and what was answered about it.
    time_zone : str
        Zone of times without an offset, where the layout names none.
    show : callable
        Called with the bytes read so far.
    """
    store = Store(connection, acceptance.batch_id, acceptance.file_id)
    reports: list[FileReport] = []
    for sheet in found:
        name = f"{acceptance.file}#{sheet.sheet.name}" if len(found) > 1 else acceptance.file
        conventions = conventions_of(sheet.layout, acceptance, time_zone)
        tally = _Tally(notes=dict.fromkeys(sheet.notes))
        try:
            questions = _facts_asked(sheet, name, acceptance)
            questions += () if questions else ask_to_confirm(sheet, name, acceptance.facts)
            questions = questions or _take_sheet(store, sheet, name, conventions, acceptance, tally, show)
        except KinbayError as fault:
            store.remove_file()
            return Taken(
                fault=KinbayError(fault.what, f"{name}, {fault.where}" if fault.where else name, fault.remedy)
            )
        if questions:
            store.remove_file()
            return Taken(questions=questions)
        report = _report(name, sheet, tally)
        store.note_file(
            file=name,
            layout=report.layout,
            table=report.table,
            size_bytes=staged.size_bytes,
            loaded_at=acceptance.moment,
            counts=(tally.taken, tally.duplicates, tally.rejected),
        )
        reports.append(report)
    return Taken(tuple(reports))


def _facts_asked(sheet: Recognised, name: str, acceptance: Acceptance) -> tuple[Question, ...]:
    """What neither the file nor its layout says, asked once for the file as a whole."""
    known = {k: v for k, v in acceptance.facts.items() if k not in TIME_FACTS or _ISO_DAY.match(v)}
    known |= {"van": acceptance.van} if acceptance.van else {}
    asked = {
        "van": f"Which van is {name} about?",
        "reader": f"Which reader wrote {name}?",
        "scanned_at": f"When was {name} recorded? Write it as 2026-03-02T07:40:00.",
        "at_date": f"On which day was {name} recorded? Write it as 2026-03-02.",
    }
    return tuple(Question("fact", column, asked[column], ()) for column in sheet.lacking(known))


def _report(name: str, sheet: Recognised, tally: _Tally) -> FileReport:
    return FileReport(
        file=name,
        layout=sheet.layout.name if sheet.layout else None,
        table=sheet.table,
        taken=tally.taken,
        duplicates=tally.duplicates,
        rejected=tally.rejected,
        rejects=tuple(tally.rejects),
        without_value=tally.without_value,
        notes=(*tally.notes, *tally.doubts.said()),
    )


def _take_sheet(
    store: Store,
    sheet: Recognised,
    name: str,
    conventions: Conventions,
    acceptance: Acceptance,
    tally: _Tally,
    show: Callable[[int], None],
) -> tuple[Question, ...]:
    """Take a sheet piece by piece; the first piece that raises questions ends it."""
    done = 0
    for tables, piece in sheet.tables({k: v for k, v in acceptance.facts.items() if k != SUBJECT}):
        if len(piece.broken):
            broken = piece.broken.with_columns(pl.lit(None, pl.String).alias("column_name")).select(
                REJECT_SCHEMA.keys()
            )
            store.add_rejects(name, sheet.table, broken)
            tally.show_rejects(broken)
            tally.rejected += len(broken)
        questions: tuple[Question, ...] = ()
        for table in sorted(tables, key=lambda t: IN_ORDER.index(t) if t in IN_ORDER else len(IN_ORDER)):
            made = normalise(table, _with_van(tables[table], table, acceptance.van), conventions)
            questions += made.questions
            if not questions:
                _store(store, made, name, table, tally)
        if questions:
            return tuple(dict.fromkeys(questions))
        done += piece.read_bytes
        show(done)
    return ()


def _with_van(rows: pl.DataFrame, table: str, van: str | None) -> pl.DataFrame:
    """Fill in the van that the person named, where rows name none."""
    if van is None or "van" not in tidy_tables()[table].columns:
        return rows
    if "van" not in rows.columns:
        return rows.with_columns(pl.lit(van).alias("van"))
    given = pl.col("van").cast(pl.String)
    is_named = given.str.strip_chars() != ""
    return rows.with_columns(pl.when(is_named).then(given).otherwise(pl.lit(van)).alias("van"))


def _store(store: Store, made: Normalised, name: str, table: str, tally: _Tally) -> None:
    rejects = made.rejects
    for raw_table, rows in made.rows.items():
        if raw_table in NAMELESS and len(rows):
            rows, unclear = store.part_unclear_readers(rows)
            if len(unclear) and raw_table == made.main:
                rejects = pl.concat([rejects, unclear]).sort("line", maintain_order=True)
                tally.rejected += len(unclear)
        if raw_table == "readings":
            tally.doubts.add(rows)
        taken, duplicates = store.add(raw_table, rows)
        if raw_table == made.main:
            tally.taken += taken
            tally.duplicates += duplicates
    if len(rejects):
        store.add_rejects(name, table, rejects)
        tally.show_rejects(rejects)
    tally.rejected += made.rejected
    tally.without_value += made.without_value
    tally.notes |= dict.fromkeys(made.notes)
