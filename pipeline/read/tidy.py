"""Tidy tables: recognised by their columns, and written out empty as templates."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import KinbayError, nearest
from pipeline.layouts.tables import TidyTable, tidy_tables


@dataclass(frozen=True)
class TidyMatch:
    """A tidy table found in a header, and what its columns are called.

    Parameters
    ----------
    table : TidyTable
        The table.
    names : tuple[str, ...]
        Tidy name of every column in order: a known column's own, another's as it stands, empty for none.
    unused : tuple[str, ...]
        Columns that the table does not keep.
    """

    table: TidyTable
    names: tuple[str, ...]
    unused: tuple[str, ...]


def tidy_name(cell: str) -> str:
    """Return a header cell as a tidy column name: lower case, one underscore for spaces and hyphens."""
    return re.sub(r"[\s\-]+", "_", cell.replace("\ufeff", "").strip()).casefold()


def match_tidy(header: tuple[str, ...], also: tuple[str, ...] = ()) -> TidyMatch | None:
    """Return the tidy table whose required columns are all present and most numerous, or None.

    Parameters
    ----------
    header : tuple[str, ...]
        The file's column names.
    also : tuple[str, ...]
        Columns that the person gives instead of the file.

    Raises
    ------
    KinbayError
        Where two tables fit equally well, or a column of the table stands twice.
    """
    present = frozenset((*map(tidy_name, header), *also)) - {""}
    fitting = [t for t in tidy_tables().values() if not t.missing_from(present)]
    if not fitting:
        return None

    def rank(table: TidyTable) -> tuple[int, int]:
        return table.present_count(present), len(present & table.columns.keys())

    best = max(map(rank, fitting))
    winners = [t for t in fitting if rank(t) == best]
    if len(winners) > 1:
        names = " or ".join(t.name for t in winners)
        raise KinbayError(f"The columns fit {names}", remedy="Leave out the columns of the others.")
    return _name_columns(winners[0], header)


def _name_columns(table: TidyTable, header: tuple[str, ...]) -> TidyMatch:
    names: list[str] = []
    unused: list[str] = []
    for cell in header:
        name = tidy_name(cell)
        is_frame = table.freeze_frame_columns and name.startswith("ff_")
        if name == "" or name in table.columns or is_frame:
            names.append(name)
        elif table.keeps_other_columns:
            names.append(cell.replace("\ufeff", "").strip())
        else:
            names.append("")
            unused.append(cell.strip())
    twice = [n for n, count in Counter(n for n in names if n).items() if count > 1]
    if twice:
        raise KinbayError(f"The column {twice[0]!r} stands twice", remedy="Rename or leave out one of them.")
    return TidyMatch(table, tuple(names), tuple(unused))


def rename_to_tidy(frame: pl.DataFrame, match: TidyMatch) -> pl.DataFrame:
    """Return `line` and the columns that the table knows or keeps, under their tidy names."""
    return frame.select("line", *(pl.col(str(i)).alias(n) for i, n in enumerate(match.names) if n))


def nearest_table(header: tuple[str, ...]) -> tuple[str, tuple[str, ...], str]:
    """Return the table that lacks the least, the columns it lacks, and a hint at a misspelt one."""
    present = frozenset(tidy_name(cell) for cell in header) - {""}

    def lack(table: TidyTable) -> tuple[float, int]:
        missing = table.missing_from(present)
        return len(missing) / max(len(table.required), 1), -len(present & table.columns.keys())

    table = min(tidy_tables().values(), key=lack)
    missing = table.missing_from(present)
    strange = [n for n in present if n not in table.columns]
    hints = [(close, column) for column in missing if (close := nearest(column, strange))]
    hint = f" The column {hints[0][0]!r} may be meant as {hints[0][1]!r}." if hints else ""
    return table.name, missing, hint


def write_templates(folder: Path) -> list[str]:
    """Write an empty CSV per tidy table, with the columns in their usual order; files that exist are kept.

    Returns
    -------
    list of str
        The names of the files written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for table in tidy_tables().values():
        path = folder / f"{table.name}.csv"
        if path.exists():
            continue
        spare = {"van", "reader", "scanned_at"} if table.without_scan_id and table.name != "scans" else set()
        with path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerow(c for c in table.columns if c not in spare)
        written.append(path.name)
    return written
