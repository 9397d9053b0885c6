"""Workbooks (XLSX, ODS): every cell as text, formulas by their value, rows by their number in the sheet."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import fastexcel
import polars as pl

from pipeline.errors import KinbayError
from pipeline.read.sheets import MOST_COLUMNS, Piece, Sheet, part_long_cells
from pipeline.read.sources import check_archive

MOST_UNPACKED_BYTES = 2 * 2**30
MOST_PREAMBLE_ROWS = 400
_ROUNDED = r"^-?(?:[0-9]+\.[0-9]{9}|0)$"


def open_workbook(
    path: Path,
    name: str,
    *,
    skip_rows: int = 0,
    unit_row: bool = False,
    only: str | None = None,
    finds: Callable[[tuple[str, ...]], bool] | None = None,
    names: tuple[str, ...] = (),
) -> list[Sheet]:
    """Read the sheets of a workbook.

    Parameters
    ----------
    path : Path
        The workbook.
    name : str
        What reports call it.
    skip_rows : int
        Rows above the header.
    unit_row : bool
        Whether the row below the header holds units.
    only : str, optional
        Read this sheet alone.
    finds : callable, optional
        Says whether a row's cells are the header, which is then looked for in the first rows.
    names : tuple of str
        The columns of sheets without a header.

    Raises
    ------
    KinbayError
        Where it is no workbook, is locked, would unpack to too much, or has no such sheet.
    """
    _check_size(path, name)
    try:
        book = fastexcel.read_excel(str(path))
        wanted = [only] if only else list(book.sheet_names)
        if only and only not in book.sheet_names:
            raise KinbayError(
                f"The workbook has no sheet {only!r}", name, f"It has {', '.join(book.sheet_names)}."
            )
        shape = _Shape(skip_rows, unit_row, finds, names)
        found = (_sheet(book, sheet, shape) for sheet in wanted)
        return [sheet for sheet in found if sheet is not None]
    except fastexcel.FastExcelError as error:
        raise KinbayError(
            "The workbook cannot be read",
            f"{name}: {str(error).splitlines()[0][:200]}",
            "Save it anew as XLSX or CSV.",
        ) from error


def sheet_names(path: Path) -> list[str]:
    """Return the names of a workbook's sheets, empty ones too."""
    return list(fastexcel.read_excel(str(path)).sheet_names)


def _check_size(path: Path, name: str) -> None:
    """A workbook is a zip: the same limits hold, before anything is unpacked."""
    try:
        with zipfile.ZipFile(path) as archive:
            check_archive(archive, name)
            if sum(e.file_size for e in archive.infolist()) > MOST_UNPACKED_BYTES:
                raise KinbayError("The workbook would unpack to too much", name, "Save its sheets as CSV.")
    except zipfile.BadZipFile as error:
        raise KinbayError("This is not a workbook", name, "Save it anew as XLSX, or as CSV.") from error


@dataclass(frozen=True)
class _Shape:
    """What stands where in a sheet."""

    skip_rows: int
    unit_row: bool
    finds: Callable[[tuple[str, ...]], bool] | None
    names: tuple[str, ...]

    def above(self, rows: pl.DataFrame) -> int | None:
        """The rows above the header; None where there is no header."""
        if self.finds is None:
            return self.skip_rows
        for number, row in enumerate(rows.head(MOST_PREAMBLE_ROWS).iter_rows()):
            if self.finds(tuple(c or "" for c in row)):
                return number
        return None


def _sheet(book: fastexcel.ExcelReader, name: str, shape: _Shape) -> Sheet | None:
    text = book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string").to_polars()
    if text.width > MOST_COLUMNS:
        raise KinbayError(f"The sheet {name!r} has {text.width} columns", remedy=f"Keep to {MOST_COLUMNS}.")
    text.columns = [str(i) for i in range(text.width)]
    is_filled = (
        pl.Series(text.select(pl.any_horizontal(pl.all().is_not_null())).to_series()) if text.width else None
    )
    if is_filled is None or not is_filled.any():
        return None
    text = _exact(text, book, name)
    frame = text.with_row_index("line", offset=1).with_columns(pl.col("line").cast(pl.Int64))
    skip_rows = shape.above(text)
    if skip_rows is None:
        return None
    preamble = tuple("\t".join(c or "" for c in row) for row in text.head(skip_rows).iter_rows())
    rows = frame.slice(skip_rows).filter(is_filled.slice(skip_rows))
    if not len(rows):
        return None
    if shape.names:
        extra = ("",) * (text.width - len(shape.names))
        body, long = part_long_cells(rows)
        header, units = (*shape.names[: text.width], *extra), None
    else:
        header = tuple(c or "" for c in rows.drop("line").row(0))
        units = tuple(c or "" for c in rows.drop("line").row(1)) if shape.unit_row and len(rows) > 1 else None
        body, long = part_long_cells(rows.slice(2 if shape.unit_row else 1))

    def pieces() -> Iterator[Piece]:
        yield Piece(body, long)

    return Sheet(name, header, pieces, preamble, units)


def _exact(text: pl.DataFrame, book: fastexcel.ExcelReader, name: str) -> pl.DataFrame:
    """Numbers that the text form rounds to nine decimals, in full."""
    rounded = [c for c in text.columns if text[c].str.contains(_ROUNDED).any()]
    if not rounded:
        return text
    places = [int(c) for c in rounded]
    numbers = book.load_sheet(
        name, header_row=None, skip_rows=0, dtypes={i: "float" for i in places}, use_columns=places
    ).to_polars()
    numbers.columns = rounded
    return text.with_columns(
        pl.when(pl.col(c).str.contains(_ROUNDED) & numbers[c].is_not_null())
        .then(numbers[c].cast(pl.String))
        .otherwise(pl.col(c))
        .alias(c)
        for c in rounded
    )
