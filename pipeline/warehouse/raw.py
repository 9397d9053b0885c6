"""The raw store: rows as the files gave them, in a work file that only loads and builds open."""

from __future__ import annotations

import contextlib
import os
import uuid
from collections.abc import Iterator
from importlib import resources
from pathlib import Path

import duckdb

from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.warehouse import lock

MEMORY_SHARE = 0.6


def create(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the tables of schema `raw` that are missing, and give the store its generation.

    The generation names one life of the store. It changes with `recreate`, which is how a build
    learns that rows may have gone and that everything has to be made anew.
    """
    connection.execute(resources.files("pipeline.warehouse").joinpath("raw_tables.sql").read_text("utf-8"))
    connection.execute("create table if not exists raw.store (generation varchar)")
    connection.execute(
        "insert into raw.store select $1 where not exists (from raw.store)", [uuid.uuid4().hex]
    )


def recreate(connection: duckdb.DuckDBPyConnection) -> None:
    """Empty the raw store and begin a new generation: before originals are read again."""
    connection.execute("drop schema if exists raw cascade")
    create(connection)


def next_batch(connection: duckdb.DuckDBPyConnection) -> int:
    """Return the batch number for the next load: one more than any file has."""
    found = connection.execute("select coalesce(max(batch_id), 0) + 1 from raw.files").fetchall()
    return int(found[0][0])


@contextlib.contextmanager
def hold_work(home: Home, wait_s: float = 0.0) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the work file as its one writer for the length of a block; what is not committed is rolled back.

    Raises
    ------
    KinbayError
        Where another writer holds it for longer than `wait_s` seconds, or the file cannot be opened.
    """
    with lock.hold(home.warehouse / ".lock", wait_s), open_work(home) as connection:
        yield connection


def open_work(home: Home, threads: int | None = None) -> duckdb.DuckDBPyConnection:
    """Open the work file for writing, with its raw tables; hold the warehouse lock while it is open.

    Memory is limited to 60 % of the machine's, and what does not fit goes to a folder beside the
    work file.

    Raises
    ------
    KinbayError
        Where the file cannot be opened.
    """
    home.ensure()
    config: dict[str, str | bool | int | float | list[str]] = {
        "temp_directory": str(home.warehouse / "temporary"),
        "preserve_insertion_order": False,
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
    }
    if limit := _memory_limit():
        config["memory_limit"] = limit
    if threads:
        config["threads"] = threads
    try:
        connection = duckdb.connect(str(home.work_db), config=config)
    except duckdb.Error as error:
        raise KinbayError(
            "The warehouse's work file cannot be opened",
            str(Path(home.warehouse.name) / home.work_db.name),
            "Close other programs that use it; if it is damaged, delete it: it is rebuilt from originals.",
        ) from error
    create(connection)
    return connection


def _memory_limit() -> str | None:
    """60 % of the machine's memory as DuckDB spells it; None where the system does not tell."""
    try:
        total = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return None
    return f"{int(total * MEMORY_SHARE / 2**20)}MB"
