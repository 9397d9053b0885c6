"""Reads what is published: the file the pointer names, read-only and shut in."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb

from pipeline import formulas
from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.warehouse.engines import quote

POINTER = "current.json"
NAME = re.compile(r"marts-(\d{6,})\.duckdb")
_NUMBERS, _NAMES = {"van_no", "cell_no"}, ("van", "parameter", "state")
"""A table that stands by numbers alone gets the names that `van_drifts` has for them where it is written for people."""
_CONFIG: dict[str, Any] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "enable_external_access": "false",
    "lock_configuration": "true",
}


def open_published(
    folder: Path, memory: str = "1GB", threads: int = 2
) -> tuple[str, duckdb.DuckDBPyConnection]:
    """Open what the pointer in `folder` names: no files, no network, no settings; return name and connection.

    A file that is gone before it is opened, since builds were published meanwhile, is no fault: the newest is opened.

    Raises
    ------
    KinbayError
        Where nothing has been published yet, or the file is gone or damaged.
    """
    config = {**_CONFIG, "memory_limit": memory, "threads": threads}
    name = _read_pointer(folder)
    while True:
        try:
            return name, _open(folder / name, config)
        except KinbayError:
            newest = _read_pointer(folder)
            if newest == name:
                raise
            name = newest


def _read_pointer(folder: Path) -> str:
    try:
        name = str(json.loads((folder / POINTER).read_text("utf-8"))["file"])
        if not NAME.fullmatch(name):
            raise ValueError(name)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise _nothing_built() from error
    return name


def _open(path: Path, config: dict[str, Any]) -> duckdb.DuckDBPyConnection:
    if not path.is_file():
        raise _nothing_built()
    try:
        return duckdb.connect(str(path), read_only=True, config=config)
    except duckdb.Error as error:
        raise KinbayError(
            "The published file cannot be opened", path.name, "Run: kinbay build --full"
        ) from error


def _nothing_built() -> KinbayError:
    return KinbayError("Nothing is built yet", POINTER, "Load files, then run: kinbay build")


@contextlib.contextmanager
def reading(home: Home) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open a home's published file for the length of a block.

    Raises
    ------
    KinbayError
        As `open_published`.
    """
    _, connection = open_published(home.warehouse)
    try:
        yield connection
    finally:
        connection.close()


def export_tables(home: Home, folder: Path, file_format: str) -> list[str]:
    """Write every published table to `folder`, a file each; return the tables' names.

    Parameters
    ----------
    file_format : str
        `parquet` or `csv`. In CSV times are ISO 8601 in UTC, and a text that a spreadsheet would
        take for a formula gets an apostrophe before it.

    Raises
    ------
    KinbayError
        Where nothing is published, the format is not known, or the folder cannot be written.
    """
    if file_format not in ("parquet", "csv"):
        raise KinbayError("That is not a format tables are written in", file_format, "Use parquet or csv.")
    with reading(home) as connection:
        rows = connection.execute("select table_name from duckdb_tables() order by table_name").fetchall()
        names = [str(row[0]) for row in rows]
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for name in names:
                _export(connection, name, folder / f"{name}.{file_format}", file_format)
        except OSError as error:
            raise KinbayError("The tables cannot be written there", str(folder), str(error)) from error
    return names


def _export(connection: duckdb.DuckDBPyConnection, name: str, path: Path, file_format: str) -> None:
    """Write one table, in batches, so that a large one needs little memory."""
    import pyarrow.csv
    import pyarrow.parquet

    columns = connection.execute(
        "select column_name, data_type from duckdb_columns() where table_name = $1 order by column_index",
        [name],
    ).fetchall()
    rows = quote(name)
    if {c for c, _ in columns} >= _NUMBERS and "van" not in {c for c, _ in columns}:
        rows = f"(select {', '.join(_NAMES)}, rows.* from {rows} as rows left join van_drifts using (van_no, cell_no))"  # noqa: S608
        columns = [*((c, "VARCHAR") for c in _NAMES), *columns]
    chosen = ", ".join(_csv_cell(c, kind) if file_format == "csv" else quote(c) for c, kind in columns)
    reader = connection.sql(f"select {chosen} from {rows}").to_arrow_reader(100_000)  # noqa: S608
    writers = {"csv": pyarrow.csv.CSVWriter, "parquet": pyarrow.parquet.ParquetWriter}
    with writers[file_format](str(path), reader.schema) as writer:
        for batch in reader:
            writer.write_batch(batch)


def _csv_cell(column: str, kind: str) -> str:
    """Times as ISO 8601 in UTC, and an apostrophe before text that a spreadsheet would run as a formula."""
    name = quote(column)
    if kind == "TIMESTAMP":
        return f"strftime({name}, '%Y-%m-%dT%H:%M:%SZ') as {name}"
    if kind == "VARCHAR":
        return f"case when regexp_matches({name}, '{formulas.STARTS}') then concat(chr(39), {name}) else {name} end as {name}"
    return name
