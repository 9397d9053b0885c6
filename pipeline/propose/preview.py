"""What a proposed layout would take from a file, and what it would leave out."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import polars as pl

from pipeline import vocabulary
from pipeline.errors import KinbayError
from pipeline.normalise import Conventions, NumberMarks, normalise
from pipeline.read.layouts import Layout
from pipeline.read.recognise import recognise
from pipeline.read.sources import Source

MOST_SHOWN = 6
MOST_REJECTS = 20
HIDDEN = ("at_s", "scan_id", "coverage_known", "code_given")


def preview(
    source: Source, layout: Layout, zone: str, now: datetime, facts: dict[str, str] | None = None
) -> dict[str, Any]:
    """Read the first rows under a layout.

    Returns
    -------
    dict
        `tables` (by tidy table: taken, columns, rows), `taken`, `rejected`, `rejects`, `questions`, `notes`, `fault`.
    """
    stand_in = {
        "van": "(the van)",
        "reader": "(the reader)",
        "scanned_at": "2026-01-01T00:00:00",
        "at_date": "2026-01-01",
    }
    found = nothing_read()
    try:
        for sheet in recognise(source, {layout.name: layout}, layout.name):
            known = facts or {}
            known = {k: stand_in[k] for k in sheet.lacking(known) if k in stand_in} | known
            found["notes"] += list(sheet.notes)
            for tables, piece in sheet.tables(known):
                _count_broken(found, piece.broken)
                for name, rows in tables.items():
                    _add(found, name, rows, layout, zone, now)
                break
    except KinbayError as fault:
        found["fault"] = str(fault)
    return found


def nothing_read() -> dict[str, Any]:
    """Return the preview of a file of which nothing was read."""
    return {
        "tables": {}, "taken": 0, "rejected": 0, "rejects": [], "questions": [], "notes": [], "fault": None,
    }  # fmt: skip


def _count_broken(found: dict[str, Any], broken: pl.DataFrame) -> None:
    found["rejected"] += len(broken)
    rows = broken.with_columns(pl.lit(None, pl.String).alias("column")).select(
        "line", "column", "value", "reason", "remedy"
    )
    found["rejects"] += rows.head(MOST_REJECTS).to_dicts()


def _add(
    found: dict[str, Any], name: str, rows: pl.DataFrame, layout: Layout, zone: str, now: datetime
) -> None:
    words = frozenset(w for m in layout.file.missing for w in (m.strip(), vocabulary.fold(m)) if w)
    marks = NumberMarks(layout.file.decimal, layout.file.thousands, words)
    made = normalise(name, rows, Conventions(now, layout.time.zone or zone, marks, asks_units=True))
    main = made.rows.get(made.main, pl.DataFrame())
    shown = [c for c in main.columns if c not in HIDDEN and main[c].null_count() < len(main)]
    cells = main.select(shown).head(MOST_SHOWN)
    found["tables"][name] = {
        "taken": len(main),
        "columns": shown,
        "rows": [[_said(v) for v in row] for row in cells.iter_rows()],
    }
    found["taken"] += len(main)
    found["rejected"] += made.rejected
    rejects = made.rejects.rename({"column_name": "column"}).head(MOST_REJECTS)
    found["rejects"] += rejects.select("line", "column", "value", "reason", "remedy").to_dicts()
    found["questions"] += [q.asks for q in made.questions]
    found["notes"] += list(made.notes)


def _said(value: object) -> object:
    return value.isoformat(sep=" ") if isinstance(value, datetime) else value
