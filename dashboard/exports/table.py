"""Rows as CSV that no spreadsheet program runs as a formula."""

from __future__ import annotations

import csv
import io

import polars as pl

from dashboard.charts.words import clean_text
from pipeline import formulas


def defuse(text: str) -> str:
    """Make a text harmless as a spreadsheet cell, without unseen characters (see `pipeline.formulas`)."""
    cleaned = clean_text(text)  # a character taken away may have hidden the sign
    return f"'{cleaned}" if formulas.is_formula(text) else formulas.defuse(cleaned)


def clean_columns(rows: pl.DataFrame) -> pl.DataFrame:
    """Strip control and bidirectional characters from every text column."""
    return rows.with_columns(
        pl.Series(name, [None if v is None else clean_text(v) for v in rows[name]], dtype=pl.String)
        for name, kind in rows.schema.items()
        if kind == pl.String
    )


def write_csv(rows: pl.DataFrame) -> bytes:
    """Return the rows as UTF-8 CSV with a byte order mark; numbers stay numbers, texts are defused."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([defuse(name) for name in rows.columns])
    listed = [name for name, kind in rows.schema.items() if isinstance(kind, pl.List)]
    flat = rows.with_columns(pl.col(name).cast(pl.List(pl.String)).list.join(";") for name in listed)
    for row in flat.iter_rows():
        writer.writerow([defuse(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue().encode("utf-8-sig")
