"""What every reader of a format gives: a header, and pieces of text cells with their line numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import polars as pl

LONGEST_CELL = 4000
MOST_COLUMNS = 2000
TOO_LONG = f"A cell is longer than {LONGEST_CELL:,} characters"
SHORTEN = "Shorten the cell, or leave the column out."
BROKEN_SCHEMA = {"line": pl.Int64, "value": pl.String, "reason": pl.String, "remedy": pl.String}


@dataclass(frozen=True)
class Piece:
    """Some rows of a sheet.

    Parameters
    ----------
    frame : pl.DataFrame
        `line` (1-based, header included) and the cells as text, columns `0`, `1` ... in the header's order.
    broken : pl.DataFrame
        Lines that could not be split into cells, columns as `BROKEN_SCHEMA`.
    read_bytes : int
        Bytes of the file that this piece took, for progress.
    """

    frame: pl.DataFrame
    broken: pl.DataFrame
    read_bytes: int = 0


@dataclass(frozen=True)
class Sheet:
    """One table of a file.

    Parameters
    ----------
    name : str
        The sheet's name in a workbook; empty elsewhere.
    header : tuple[str, ...]
        Column names as they stand.
    pieces : callable
        Gives the rows from the first on, each time it is called.
    preamble : tuple[str, ...]
        Text of the lines above the header.
    units : tuple[str, ...] or None
        The row of units below the header, where the layout says there is one.
    notes : tuple[str, ...]
        What was passed over on the way.
    pages : tuple[int, ...]
        First line of each page of a text that a person has to compare with its rows; empty elsewhere.
    """

    name: str
    header: tuple[str, ...]
    pieces: Callable[[], Iterator[Piece]]
    preamble: tuple[str, ...] = ()
    units: tuple[str, ...] | None = None
    notes: tuple[str, ...] = ()
    pages: tuple[int, ...] = ()


def no_broken() -> pl.DataFrame:
    """Return a table of broken lines without rows."""
    return pl.DataFrame(schema=BROKEN_SCHEMA)


def part_long_cells(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Split off the rows that hold a cell too long to be data.

    Returns
    -------
    tuple of pl.DataFrame
        The other rows, and the long ones as `BROKEN_SCHEMA`.
    """
    cells = [c for c in frame.columns if c != "line"]
    if not cells or not len(frame):
        return frame, no_broken()
    is_long = frame.select(
        pl.any_horizontal(pl.col(c).str.len_chars() > LONGEST_CELL for c in cells)
    ).to_series()
    is_long = is_long.fill_null(value=False)
    if not is_long.any():
        return frame, no_broken()
    first = pl.concat_str([pl.col(c).str.slice(0, 40) for c in cells[:5]], separator=",", ignore_nulls=True)
    long = frame.filter(is_long).select("line", value=first, reason=pl.lit(TOO_LONG), remedy=pl.lit(SHORTEN))
    return frame.filter(~is_long), long
