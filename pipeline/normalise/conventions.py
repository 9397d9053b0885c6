"""How one file is written, as far as normalising has to know, and what normalising a table gives."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import polars as pl

from pipeline.normalise.faults import empty_rejects
from pipeline.normalise.numbers import PLAIN, NumberMarks
from pipeline.normalise.questions import Answers, Question


@dataclass(frozen=True)
class Conventions:
    """How one file writes numbers and times, and what a person has answered about it.

    Parameters
    ----------
    now : datetime
        Naive UTC; later times than a day after it are refused.
    zone : str
        Zone of times without an offset.
    marks : NumberMarks
        Decimal and thousands mark, further words for "no value".
    answers : Answers
        What was asked and answered before.
    asks_units : bool
        Whether an unknown unit is asked about (exports with a layout) or refused (tidy files).
    """

    now: datetime
    zone: str = "UTC"
    marks: NumberMarks = PLAIN
    answers: Answers = field(default_factory=Answers)
    asks_units: bool = False


@dataclass(frozen=True)
class Normalised:
    """One piece of a tidy table, normalised.

    Parameters
    ----------
    rows : dict[str, pl.DataFrame]
        Rows by raw table (`readings`, `scans` ...), with `line`, without batch and file.
    main : str
        The raw table whose rows are counted as taken.
    rejects : pl.DataFrame
        What could not be taken, columns as `faults.REJECT_SCHEMA`.
    rejected : int
        Rows left out as a whole.
    without_value : int
        Rows that hold a word for "no value" where the value should be: nothing to store, nothing wrong.
    questions : tuple[Question, ...]
        Where there is any, no row of the file may be stored.
    notes : tuple[str, ...]
        What was decided on the way and a person may want to know.
    """

    rows: dict[str, pl.DataFrame]
    main: str
    rejects: pl.DataFrame = field(default_factory=empty_rejects)
    rejected: int = 0
    without_value: int = 0
    questions: tuple[Question, ...] = ()
    notes: tuple[str, ...] = ()
