"""Puts corrections of scans and other names of vans from the journal into the raw store, as they are now."""

from __future__ import annotations

import datetime as dt
from typing import Any

import duckdb

from pipeline.journal import read_entries
from pipeline.settings import Home

_TABLES = {
    "correction": ("raw.corrections", "corrected_at", ("reader", "scan_id", "field", "value", "why", "who")),
    "alias": ("raw.aliases", "named_at", ("alias", "van", "why")),
}


def write_journal_rows(connection: duckdb.DuckDBPyConnection, home: Home) -> None:
    """Replace `raw.corrections` and `raw.aliases` by the journal's entries; the journal is small.

    Raises
    ------
    KinbayError
        Where an entry is damaged.
    """
    entries = read_entries(home, *_TABLES, "taken_back")
    gone = {e.get("names") for e in entries}
    for kind, (table, moment, columns) in _TABLES.items():
        rows = [_row(e, moment, columns) for e in entries if e["kind"] == kind and e["entry"] not in gone]
        connection.execute(f"delete from {table}")  # noqa: S608 - one of two names above
        if rows:
            import pyarrow as pa  # most homes have no such entry

            from pipeline.columns import table as as_table

            schema = pa.schema(
                [("entry", pa.string()), (moment, pa.timestamp("us")), *((c, pa.string()) for c in columns)]
            )
            connection.register("incoming_rows", as_table(rows, schema))
            connection.execute(f"insert into {table} by name from incoming_rows")
            connection.unregister("incoming_rows")


def _row(entry: dict[str, Any], moment: str, columns: tuple[str, ...]) -> dict[str, Any]:
    at = dt.datetime.fromisoformat(str(entry["at"]))
    told = {name: None if entry.get(name) is None else str(entry[name]) for name in columns}
    return {"entry": entry["entry"], moment: at.astimezone(dt.UTC).replace(tzinfo=None), **told}
