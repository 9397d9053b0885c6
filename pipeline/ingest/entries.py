"""Scans, work and notes that people wrote down: journal entries read as tables, like any other file.

An entry of one of these kinds holds `tables`: rows by tidy table, every value as a person would write it into a
file. Its journal file is its original. A later entry that `replaces` it, or one of kind `taken_back` that names it,
takes its rows out; the entry itself stays.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import KinbayError
from pipeline.ingest.originals import Staged
from pipeline.journal import read_entries
from pipeline.layouts.tables import tidy_tables
from pipeline.read import Recognised, Source
from pipeline.read.sheets import Piece, Sheet, no_broken
from pipeline.read.tidy import match_tidy
from pipeline.settings import Home

KINDS = ("scan", "work", "note")
FOLDER = "journal/"


def dead_entries(home: Home) -> set[str]:
    """Return the names of entries that a later one replaced or took back."""
    found = {str(e["replaces"]) for e in read_entries(home, *KINDS) if e.get("replaces")}
    return found | {str(e.get("names")) for e in read_entries(home, "taken_back")}


def living_entries(home: Home) -> list[Source]:
    """Return the entries whose rows count, oldest first, as files to be read."""
    dead = dead_entries(home)
    names = [e["entry"] for e in read_entries(home, *KINDS) if e["entry"] not in dead]
    return [Source(home.journal / n, f"{FOLDER}{n}", home.journal / n) for n in names]


def stage_entry(path: Path) -> Staged:
    """Hash an entry where it stands: it is never changed, so no copy is needed."""
    content = path.read_bytes()
    return Staged(path, hashlib.sha256(content).hexdigest(), ".json", len(content))


def recognise_entry(path: Path) -> list[Recognised]:
    """Read an entry as sheets, one a table, scans first.

    Raises
    ------
    KinbayError
        Where it holds no table that is known, or a table lacks a column it must have.
    """
    remedy = "Take the entry back and write it down again."
    try:
        tables = json.loads(path.read_text(encoding="utf-8"))["tables"]
        named = {str(name): list(rows) for name, rows in tables.items() if rows}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise KinbayError("The entry holds no tables", path.name, remedy) from error
    found = []
    for name in [t for t in tidy_tables() if t in named]:
        header = tuple(dict.fromkeys(str(key) for row in named[name] for key in row))
        match = match_tidy(header)
        if match is None or match.table.name != name:
            raise KinbayError(f"The entry's {name} lack a column", path.name, remedy)
        sheet = Sheet(name, header, _pieces(named[name], header))
        found.append(Recognised(sheet, match, None, path.name))
    if not found:
        raise KinbayError("The entry holds no table that is known", path.name, remedy)
    return found


def _pieces(rows: Sequence[dict[str, Any]], header: tuple[str, ...]) -> Callable[[], Iterator[Piece]]:
    """The rows as text cells; the first one is line 2, as below a header."""
    cells = {
        str(n): [None if row.get(key) is None else str(row[key]) for row in rows]
        for n, key in enumerate(header)
    }
    frame = pl.DataFrame(
        {"line": range(2, len(rows) + 2), **cells},
        schema={"line": pl.Int64, **dict.fromkeys(cells, pl.String)},
    )

    def pieces() -> Iterator[Piece]:
        yield Piece(frame, no_broken())

    return pieces
