"""What a load did, file by file: for a person, for a program, for the exit code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pipeline.counted import count_of

MOST_REJECTS_SHOWN = 1000
MOST_REJECTS_SAID = 3


@dataclass(frozen=True)
class Reject:
    """A row or cell that was not taken: where, what was given, why not, what to do."""

    line: int
    column: str | None
    value: str | None
    reason: str
    remedy: str

    def as_json(self) -> dict[str, Any]:
        """Return the reject as the contract's keys."""
        return {
            "line": self.line,
            "column": self.column,
            "value": self.value,
            "reason": self.reason,
            "remedy": self.remedy,
        }


@dataclass(frozen=True)
class FileReport:
    """What became of one file, or of one sheet of a workbook (`book.xlsx#Sheet`).

    Parameters
    ----------
    file : str
        The file as a person knows it.
    layout : str or None
        The layout it was read by; None for a tidy file.
    table : str or None
        The tidy table it is, or those a layout feeds joined by `+`; None where it was not recognised.
    taken, duplicates, rejected : int
        Rows stored, rows that were there already, rows left out.
    rejects : tuple[Reject, ...]
        The first thousand rows or cells left out; all of them stand in `raw.rejects`.
    questions : tuple[str, ...]
        What a person has to decide; while there is any, nothing of the file is stored.
    without_value : int
        Rows whose value says "no value".
    notes : tuple[str, ...]
        What was decided on the way.
    """

    file: str
    layout: str | None = None
    table: str | None = None
    taken: int = 0
    duplicates: int = 0
    rejected: int = 0
    rejects: tuple[Reject, ...] = ()
    questions: tuple[str, ...] = ()
    without_value: int = 0
    notes: tuple[str, ...] = ()

    @property
    def needs_person(self) -> bool:
        """Whether rows, cells or the whole file were left out."""
        return bool(self.rejected or self.rejects or self.questions)

    def as_json(self) -> dict[str, Any]:
        """Return the report as the contract's keys."""
        return {
            "file": self.file,
            "layout": self.layout,
            "table": self.table,
            "taken": self.taken,
            "duplicates": self.duplicates,
            "rejected": self.rejected,
            "rejects": [r.as_json() for r in self.rejects],
            "questions": list(self.questions),
        }

    def lines(self) -> list[str]:
        """Return the report as lines for a terminal."""
        if self.questions:
            return [f"{self.file}: waits. {q}" for q in self.questions]
        by = f" by layout {self.layout}" if self.layout else ""
        counts = [f"{self.taken:,} taken"]
        counts += [f"{n:,} {what}" for n, what in self._others() if n]
        found = [f"{self.file}: {self.table}{by}, {', '.join(counts)}."]
        for reject in self.rejects[:MOST_REJECTS_SAID]:
            column = f", {reject.column}" if reject.column else ""
            given = f" {reject.value!r}" if reject.value else ""
            found.append(f"  line {reject.line}{column}{given}: {reject.reason}. {reject.remedy}")
        more = len(self.rejects) - MOST_REJECTS_SAID
        if more > 0:
            least = "at least " if len(self.rejects) == MOST_REJECTS_SHOWN else ""
            found.append(f"  and {least}{more:,} more.")
        return found + [f"  {note}" for note in self.notes]

    def _others(self) -> list[tuple[int, str]]:
        return [
            (self.duplicates, "there already"),
            (self.rejected, "left out"),
            (self.without_value, "without a value"),
        ]


@dataclass(frozen=True)
class LoadReport:
    """What a load did.

    Parameters
    ----------
    files : tuple[FileReport, ...]
        One per file or sheet, in the order in which they were given.
    batch_id : int or None
        The batch of the rows stored; None where nothing was stored.
    """

    files: tuple[FileReport, ...]
    batch_id: int | None = None

    @property
    def needs_person(self) -> bool:
        """Whether anything was left out or has to be decided."""
        return any(f.needs_person for f in self.files)

    def as_json(self) -> dict[str, Any]:
        """Return the report as the contract's `load --json`."""
        return {"files": [f.as_json() for f in self.files]}

    def _file_lines(self) -> list[str]:
        """What became of each file; of files of one kind that wait, the first alone repeats what all of them ask.

        Files are of one kind where the same reading of them is proposed, which is what they ask last.
        """
        told: list[str] = []
        asked: dict[str, tuple[str, set[str]]] = {}
        for file in self.files:
            if not file.questions:
                told += file.lines()
                continue
            first, known = asked.setdefault(file.questions[-1], (file.file, set()))
            told += [f"{file.file}: waits. {q}" for q in file.questions if q not in known]
            if first != file.file:
                told.append(f"{file.file}: waits for the same answers as {first}; answer them once.")
            known.update(file.questions)
        return told

    def lines(self) -> list[str]:
        """Return the report as lines for a terminal; the last one sums up."""
        taken = sum(f.taken for f in self.files)
        waiting = sum(bool(f.questions) for f in self.files)
        rejected = sum(f.rejected for f in self.files)
        total = f"{count_of(len(self.files), 'file')}: {count_of(taken, 'row')} taken"
        total += f", {rejected:,} left out" if rejected else ""
        total += f", {count_of(waiting, 'file')} waiting for a person" if waiting else ""
        told = self._file_lines()
        told += [
            "To answer: the page Add data, or kinbay answer FILE SUBJECT CHOICE; then load again."
        ] * bool(waiting)
        return [*told, total + "."]
