"""Columns of a text table into typed ones, each fault noted; a column that is not there is null throughout."""

from __future__ import annotations

import polars as pl

from pipeline.normalise.conventions import Conventions
from pipeline.normalise.faults import Faults
from pipeline.normalise.numbers import parse_numbers
from pipeline.normalise.text import clean_names, clean_texts
from pipeline.normalise.times import Times, parse_dates, parse_times

KM_PER_MILE = 1.609344
TWO_WAYS = "The odometer may count thousands or have three decimals"
WRITE_PLAIN = (
    "Write it without a mark, such as 201345, or say in a layout with [file] thousands what parts thousands."
)
WRITE_NUMBER = "Write a plain number such as 13.8, with a point and without a unit."
WRITE_POINT = (
    "Let the spreadsheet write a point instead of the decimal comma, such as 13.8; a file of readings or a register can"
    " be read by a layout instead, see kinbay layout FILE."
)
MEND_LAYOUT = "Correct the number, or the layout: [file] decimal and thousands, or missing for a word that means no value."


class Cells:
    """The given columns of one table and the faults found in them.

    Parameters
    ----------
    given : pl.DataFrame
        `line` and text columns under their tidy names; columns may be absent.
    conventions : Conventions
        How the file is written.
    """

    def __init__(self, given: pl.DataFrame, conventions: Conventions) -> None:
        self.given = given
        self.conventions = conventions
        self.faults = Faults(given["line"])
        self.doubtful_times = 0

    def note_no_number(self, is_wrong: pl.Series, column: str, *, keeps_row: bool = False) -> None:
        """Note cells that are no numbers, with the remedy: a decimal comma is not to be mended cell by cell."""
        given = self.raw(column)
        if self.conventions.asks_units or not is_wrong.any():
            self.faults.add(is_wrong, column, given, "Not a number", MEND_LAYOUT, keeps_row=keeps_row)
            return
        has_comma = given.str.contains(r"^\s*[+-]?[0-9][0-9. ]*,[0-9]+\s*$").fill_null(value=False)
        for which, remedy in ((is_wrong & has_comma, WRITE_POINT), (is_wrong & ~has_comma, WRITE_NUMBER)):
            self.faults.add(which, column, given, "Not a number", remedy, keeps_row=keeps_row)

    def has(self, name: str) -> bool:
        """Say whether the column is there and not empty throughout."""
        return name in self.given.columns and self.given[name].null_count() < len(self.given)

    def raw(self, name: str) -> pl.Series:
        """Return a column as given, or nulls."""
        if name in self.given.columns:
            return self.given[name]
        return pl.repeat(None, len(self.given), dtype=pl.String, eager=True).alias(name)

    def name(self, column: str, *, required: bool = False) -> pl.Series:
        """Return identifiers; an empty required one loses the row."""
        found = clean_names(self.raw(column)) if self.has(column) else self.raw(column)
        if required:
            self.require(found.is_null(), column)
        return found

    def text(self, column: str, *, required: bool = False) -> pl.Series:
        """Return free text."""
        found = clean_texts(self.raw(column)) if self.has(column) else self.raw(column)
        if required:
            self.require(found.is_null(), column)
        return found

    def require(self, is_missing: pl.Series, column: str) -> None:
        """Lose the rows in which a required column is empty."""
        self.faults.add(
            is_missing, column, self.raw(column), f"{column} is empty", f"Fill in {column} and load again."
        )

    def number(self, column: str, *, least: float | None = None, most: float | None = None) -> pl.Series:
        """Return doubles; a wrong or impossible one leaves the cell empty and is noted."""
        if not self.has(column):
            return self.raw(column).cast(pl.Float64)
        found = parse_numbers(self.raw(column), self.conventions.marks)
        self.note_no_number(found.is_wrong, column, keeps_row=True)
        low = float("-inf") if least is None else least
        high = float("inf") if most is None else most
        outside = ~found.value.is_between(low, high)
        if outside.any():
            reason = f"{column} cannot lie outside {low:g} to {high:g}"
            self.faults.add(
                outside, column, self.raw(column), reason, "Correct it and load again.", keeps_row=True
            )
        return pl.select(pl.when(~outside).then(found.value)).to_series().alias(column)

    def whole(self, column: str, *, least: int, most: int) -> pl.Series:
        """Return whole numbers; a fraction leaves the cell empty and is noted."""
        found = self.number(column, least=least, most=most)
        broken = found != found.floor()
        self.faults.add(
            broken,
            column,
            self.raw(column),
            f"{column} is not a whole number",
            "Correct it and load again.",
            keeps_row=True,
        )
        return pl.select(pl.when(~broken).then(found)).to_series().cast(pl.Int32).alias(column)

    def kilometres(self, column: str = "odometer_km", miles: str = "odometer_mi") -> pl.Series:
        """Return an odometer in km, from miles where only those are given."""
        km = self._odometer(column, 5_000_000)
        if not self.has(miles):
            return km
        return km.fill_null(self._odometer(miles, 3_000_000) * KM_PER_MILE)

    def _odometer(self, column: str, most: float) -> pl.Series:
        """Return an odometer; where all marked numbers of the column look like 201.345, they are left out."""
        found = self.number(column, least=0, most=most)
        marked = self.raw(column).str.contains(self.conventions.marks.decimal, literal=True)
        grouped = self.raw(column).str.contains(r"^\s*[1-9][0-9]{0,2}[.,][0-9]{3}\s*$")
        if not marked.any() or (marked & ~grouped).any():
            return found
        self.faults.add(marked, column, self.raw(column), TWO_WAYS, WRITE_PLAIN, keeps_row=True)
        return pl.select(pl.when(~marked).then(found)).to_series().alias(column)

    def time(self, column: str, *, required: bool = False, loses_row: bool = False) -> pl.Series:
        """Return naive UTC times; a wrong one loses the row where it is required or told to, else the cell."""
        if not self.has(column):
            if required:
                self.require(self.raw(column).is_null(), column)
            return self.raw(column).cast(pl.Datetime("us"))
        c = self.conventions
        found = parse_times(self.raw(column), c.zone, c.now, c.marks.missing_words)
        self._judge(found, column, required=required, loses_row=loses_row)
        self.doubtful_times += int(found.is_doubtful.sum())
        return found.value

    def date(self, column: str, *, required: bool = False, loses_row: bool = False) -> pl.Series:
        """Return dates; a wrong one loses the row where it is required or told to, else the cell."""
        if not self.has(column):
            if required:
                self.require(self.raw(column).is_null(), column)
            return self.raw(column).cast(pl.Date)
        found = parse_dates(self.raw(column), self.conventions.marks.missing_words)
        self._judge(found, column, required=required, loses_row=loses_row)
        return found.value

    def _judge(self, found: Times, column: str, *, required: bool, loses_row: bool) -> None:
        """Note what could not be read, and what is required and empty."""
        self.faults.add(
            found.is_wrong,
            column,
            self.raw(column),
            found.reason,
            found.remedy,
            keeps_row=not (required or loses_row),
        )
        if required:
            self.require(found.is_missing, column)

    def notes(self) -> tuple[str, ...]:
        """Say what was decided on the way."""
        if not self.doubtful_times:
            return ()
        return (
            f"{self.doubtful_times} times lie in an hour that a clock change repeats or leaves out; "
            "they were read with the offset before the change.",
        )
