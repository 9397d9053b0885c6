"""Puts what people wrote beside codes from the journal into the raw store, as it is now."""

from __future__ import annotations

import datetime as dt
from typing import Any

import duckdb
import pyarrow as pa

from pipeline.columns import table
from pipeline.journal import read_entries
from pipeline.settings import Home

KIND = "code_note"
_SCHEMA = pa.schema(
    [
        ("entry", pa.string()),
        ("written_at", pa.timestamp("us")),
        ("who", pa.string()),
        ("module", pa.string()),
        ("code", pa.string()),
        ("text", pa.string()),
        ("origin", pa.string()),
    ]
)


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
        connection.register("incoming_notes", table(rows, _SCHEMA))
        connection.execute("insert into raw.code_notes by name from incoming_notes")
        connection.unregister("incoming_notes")


def _row(entry: dict[str, Any]) -> dict[str, Any]:
    at = dt.datetime.fromisoformat(str(entry["at"]))
    return {
        "written_at": at.astimezone(dt.UTC).replace(tzinfo=None) if at.tzinfo else at,
        **{name: str(entry.get(name) or "") for name in ("entry", "who", "module", "code", "text", "origin")},
    }
