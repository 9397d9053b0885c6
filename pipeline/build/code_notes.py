"""Puts what people wrote beside codes from the journal into the raw store, as it is now."""

from __future__ import annotations

import datetime as dt
from typing import Any

import duckdb

from pipeline.journal import read_entries
from pipeline.settings import Home

KIND = "code_note"


def write_notes(connection: duckdb.DuckDBPyConnection, home: Home) -> None:
    """Replace `raw.code_notes` by the journal's entries of kind `code_note`; the journal is small.

    Raises
    ------
    KinbayError
        Where an entry is damaged.
    """
    rows = [_row(e) for e in read_entries(home, KIND)]
    connection.execute("delete from raw.code_notes")
    if rows:
        import pyarrow as pa  # most homes have no such entry

        from pipeline.columns import table

        texts = [(name, pa.string()) for name in ("entry", "who", "module", "code", "text", "origin")]
        schema = pa.schema([*texts, ("written_at", pa.timestamp("us"))])
        connection.register("incoming_notes", table(rows, schema))
        connection.execute("insert into raw.code_notes by name from incoming_notes")
        connection.unregister("incoming_notes")


def _row(entry: dict[str, Any]) -> dict[str, Any]:
    at = dt.datetime.fromisoformat(str(entry["at"]))
    return {
        "written_at": at.astimezone(dt.UTC).replace(tzinfo=None) if at.tzinfo else at,
        **{name: str(entry.get(name) or "") for name in ("entry", "who", "module", "code", "text", "origin")},
    }
