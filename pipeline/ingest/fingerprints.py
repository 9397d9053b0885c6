"""The raw store with and without a name: where it stands, and whether all else is the same."""

from __future__ import annotations

import duckdb

from pipeline.errors import KinbayError
from pipeline.ingest.redacting import Name
from pipeline.warehouse.engines import quote

FREE = frozenset(
    [
        "operator",
        "note",
        "who",
        "text",
        "value",
        "value_given",
        "module_given",
        "code_given",
        "unit_given",
        "file",
        "why",
        "file_id",
        "reason",
        "remedy",
        "entry",
        "generation",
    ]
)
"""Text columns of the raw store that may hold a name, or follow a file's content."""
FOLLOWS = frozenset(["batch_id", "line", "size_bytes", "taken", "duplicates"])
"""Other columns that follow a file's content."""
BY_BUILD = ("aliases", "code_notes", "corrections")
"""Raw tables that a build fills from the journal."""


def _texts(connection: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    """Every text column of the raw store, by table."""
    return connection.execute(
        "select table_name, column_name from duckdb_columns() "
        "where schema_name = 'raw' and data_type = 'VARCHAR' order by all"
    ).fetchall()


def _holds(connection: duckdb.DuckDBPyConnection, table: str, column: str, name: Name) -> bool:
    likely = " or ".join(f"contains({quote(column)}, ${n + 1})" for n in range(len(name.spellings)))
    found = connection.execute(
        f"select distinct {quote(column)} from raw.{quote(table)} where {likely}",  # noqa: S608 - quoted names
        list(name.spellings),
    ).fetchall()
    return any(name.stands_in(row[0]) for row in found)


def is_stored(connection: duckdb.DuckDBPyConnection, name: Name) -> bool:
    """Say whether the raw store holds the name anywhere."""
    return any(_holds(connection, table, column, name) for table, column in _texts(connection))


def refuse_keys(connection: duckdb.DuckDBPyConnection, name: Name) -> None:
    """Refuse a name that is also what a van, reader, scan or the like is called."""
    for table, column in _texts(connection):
        if column not in FREE and _holds(connection, table, column, name):
            raise KinbayError(
                f"The name also stands for something that rows are told apart by: {table}, {column}",
                remedy="Nothing was changed. Correct those files, withdraw the old ones and load the new.",
            )


def print_tables(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int]]:
    """A fingerprint of each raw table without what may name people; rows that became equal count once."""
    columns: dict[str, list[str]] = {}
    for table, column, kind in connection.execute(
        "select table_name, column_name, data_type from duckdb_columns() where schema_name = 'raw' order by all"
    ).fetchall():
        is_free = (kind == "VARCHAR" and column in FREE) or column in FOLLOWS
        if not is_free and table not in BY_BUILD:
            columns.setdefault(table, []).append(quote(column))
    found = {}
    for table, names in columns.items():
        rows = f"select distinct {', '.join(names)} from raw.{quote(table)}"  # noqa: S608 - quoted names
        row = connection.execute(f"select count(*), coalesce(bit_xor(hash(r)), 0) from ({rows}) r").fetchone()  # noqa: S608
        found[table] = (int(row[0]), int(row[1])) if row else (0, 0)
    return found
