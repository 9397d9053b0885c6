"""Where models run: `Engine` is what the runner asks, and DuckDB inside this process is what answers.

The models' SQL is written to move (see `portable`), so that a fleet that outgrows one machine needs
another engine and not other models.
"""

from __future__ import annotations

import contextlib
import copy
import datetime as dt
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

import duckdb

if TYPE_CHECKING:
    import pyarrow as pa

EVERYTHING: Final = "everything"
N_LANES: Final = 2
"""Jobs of a build at once: one query or one computation keeps one core busy most of the time, so that more would
gain little and hold more in memory. """
_FEW: Final = 100
_OWN_TABLES: Final = """
create schema if not exists build;
create schema if not exists computed;
create table if not exists build.batch (batch_id bigint);
create table if not exists build.fingerprints (name varchar, fingerprint varchar);
create table if not exists build.marks (name varchar, mark varchar);
create table if not exists build.contents (name varchar, content varchar);
create table if not exists build.unpublished (name varchar, part date);
create table if not exists build.published (file varchar, whole_bytes bigint, described varchar);
"""
Parts = frozenset[dt.date] | Literal["everything"]
"""Partitions of a table, or all of it."""


@dataclass(frozen=True)
class BuildState:
    """What the last finished build knew.

    Parameters
    ----------
    batch_id : int
        The newest batch it took in; -1 before the first build.
    fingerprints : mapping
        Model or computed table to the fingerprint it was built with.
    marks : mapping
        Source table to its mark then (see `Sources`).
    contents : mapping
        Table that is made as a whole to the hash of its rows then (see `Engine.contents`).
    """

    batch_id: int = -1
    fingerprints: Mapping[str, str] = field(default_factory=dict)
    marks: Mapping[str, str] = field(default_factory=dict)
    contents: Mapping[str, str] = field(default_factory=dict)


class Engine(Protocol):
    """What the runner needs of an engine; queries come in DuckDB's dialect."""

    def lanes(self) -> Sequence[Engine]:
        """Return engines on the same tables that may work at the same time; this one alone where none may."""

    def interrupt(self) -> None:
        """Have a query that is under way stop."""

    def values(self, query: str) -> list[Any]:
        """Return the first column of a query."""

    def arrow(self, query: str) -> pa.Table:
        """Return a query's result as an Arrow table."""

    def write(self, name: str, table: pa.Table) -> None:
        """Replace table `name` (schema.table) with the rows of an Arrow table."""

    def columns(self, name: str) -> dict[str, str]:
        """Return column names and types of a table or view; empty where there is none of that name."""

    def columns_of(self, names: Collection[str]) -> dict[str, set[str]]:
        """Return the column names of several tables at once, by table; those that are missing are left out."""

    def all_differ(self, name: str, key: Sequence[str], only: str = "true") -> bool:
        """Whether no two rows of a table, of those for which `only` holds, share a key; False may be a false alarm."""

    def rows_up_to(self, names: Collection[str], batch: int) -> dict[str, int]:
        """Return, by name, how many rows of source tables came with a batch or before it."""

    def contents(self, names: Collection[str]) -> dict[str, str]:
        """Return, by name, a hash of each table's columns and rows, whatever their order."""

    def state(self) -> BuildState:
        """Return what the last finished build left."""

    def begin(self) -> None:
        """Drop what is remembered of contents: after a cut build nothing may count as unchanged."""

    def forget(self, names: Iterable[str]) -> None:
        """Drop the fingerprints of tables about to be changed, so that a cut build is done again."""

    def remember(self, state: BuildState, rebuilt: Mapping[str, Parts]) -> None:
        """Keep what this build leaves, all at once; `rebuilt` is added to what waits to be published."""

    def create_view(self, name: str, query: str) -> None:
        """Make or replace a view."""

    def replace_table(self, name: str, partition: str | None, query: str) -> None:
        """Make or replace a table as a whole."""

    def replace_partitions(self, name: str, only: str, query: str) -> None:
        """Replace the rows of a table for which `only` holds, all at once."""

    def drop(self, name: str) -> None:
        """Drop a table or view that no model makes any more."""


@contextlib.contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[duckdb.DuckDBPyConnection]:
    """Have all that a block writes stand at once, or none of it."""
    connection.begin()
    try:
        yield connection
        connection.commit()
    except BaseException:
        with contextlib.suppress(duckdb.Error):  # where the fault ended the transaction
            connection.rollback()
        raise


def quote(name: str) -> str:
    """Quote a table name, with or without schema, as SQL identifiers."""
    return ".".join(f'"{part.replace(chr(34), chr(34) * 2)}"' for part in name.split("."))


def joined(some: Parts, more: Parts) -> Parts:
    """Return the parts of both.

    >>> joined(frozenset(), "everything")
    'everything'
    """
    if some == EVERYTHING or more == EVERYTHING:
        return EVERYTHING
    return some | more


class DuckDB:
    """DuckDB in this process, on an open connection.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        The work file, with schemas `raw` and `vocab` in it.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self.connection = connection
        connection.execute(_OWN_TABLES)

    def share_cores(self) -> None:
        """Keep of the threads DuckDB would use those alone that find a core free while all lanes are at work."""
        threads = int(self.values("select current_setting('threads')")[0])
        self.connection.execute(f"set threads = {max(1, threads - N_LANES + 1)}")

    @contextlib.contextmanager
    def kept_meanwhile(self) -> Iterator[None]:
        """Write what the log holds into the database file while a block writes other files."""
        with ThreadPoolExecutor(1) as pool:
            kept = pool.submit(self.connection.cursor().execute, "checkpoint")
            yield
            kept.result()
        # The little that follows stays in the log: a second writing of the file would take nearly as long as the first.
        self.connection.execute("pragma disable_checkpoint_on_shutdown")

    def lanes(self) -> Sequence[DuckDB]:
        """Return engines on connections of their own to the same database, one for each job at a time."""
        return [self._beside() for _ in range(N_LANES)]

    def _beside(self) -> DuckDB:
        engine = copy.copy(self)
        engine.connection = self.connection.cursor()
        return engine

    def interrupt(self) -> None:
        """Have a query that is under way on this connection stop."""
        self.connection.interrupt()

    def values(self, query: str) -> list[Any]:
        """Return the first column of a query."""
        return [row[0] for row in self.connection.execute(query).fetchall()]

    def arrow(self, query: str) -> pa.Table:
        """Return a query's result as an Arrow table."""
        return self.connection.sql(query).to_arrow_table()

    def write(self, name: str, table: pa.Table) -> None:
        """Replace table `name` (schema.table) with the rows of an Arrow table."""
        self.connection.register("incoming_rows", table)
        try:
            self.connection.execute(f"create or replace table {quote(name)} as from incoming_rows")
        finally:
            self.connection.unregister("incoming_rows")

    def columns(self, name: str) -> dict[str, str]:
        """Return column names and types of a table or view; empty where there is none of that name."""
        try:
            found = self.connection.table(quote(name))
        except duckdb.CatalogException:
            return {}
        return dict(zip(found.columns, map(str, found.types), strict=True))

    def columns_of(self, names: Collection[str]) -> dict[str, set[str]]:
        """Return the column names of several tables at once, by table; those that are missing are left out."""
        found = self.connection.execute(
            "select concat(schema_name, '.', table_name) as name, list(column_name) from duckdb_columns()"
            " where database_name = current_database() and list_contains($1, name) group by name",
            [list(names)],
        ).fetchall()
        return {name: set(columns) for name, columns in found}

    def all_differ(self, name: str, key: Sequence[str], only: str = "true") -> bool:
        """Whether no two rows of a table, of those for which `only` holds, share a key; False may be a false alarm.

        Rows alike have hashes alike, and whole numbers are sorted eight times as fast as texts are grouped.
        """
        hashed = f"select hash({', '.join(map(quote, key))}) as h from {quote(name)} where {only}"  # noqa: S608
        found = self.connection.execute(hashed)
        first = [h for (h,) in found.fetchmany(_FEW)]
        if len(first) < _FEW:
            return len(set(first)) == len(first)
        import numpy as np  # a build that finds nothing new does without it

        hashes = np.sort(np.concatenate([np.array(first, np.uint64), found.fetchnumpy()["h"]]))
        return not bool((hashes[1:] == hashes[:-1]).any())

    def rows_up_to(self, names: Collection[str], batch: int) -> dict[str, int]:
        """Return, by name, how many rows of source tables came with a batch or before it; one query for all."""
        counted = [
            f"select '{name}', count(*) from {quote(name)} where batch_id <= {int(batch)}"  # noqa: S608
            for name in names
        ]
        return dict(self.connection.execute(" union all ".join(counted)).fetchall()) if counted else {}

    def contents(self, names: Collection[str]) -> dict[str, str]:
        """Return, by name, a hash of each table's columns and rows, whatever their order; one query for all."""
        told = "count(*), ':', sum(hash(t)), ':', bit_xor(hash(t)), ':', typeof(any_value(t))"
        places = list(enumerate(names))
        hashed = [f"select {place}, concat({told}) from {quote(name)} as t" for place, name in places]  # noqa: S608
        found = dict(self.connection.execute(" union all ".join(hashed)).fetchall()) if places else {}
        return {name: found[place] for place, name in places}

    def state(self) -> BuildState:
        """Return what the last finished build left."""
        batch = self.values("select max(batch_id) from build.batch")[0]
        fingerprints = self.connection.execute("select name, fingerprint from build.fingerprints").fetchall()
        marks = self.connection.execute("select name, mark from build.marks").fetchall()
        contents = self.connection.execute("select name, content from build.contents").fetchall()
        return BuildState(-1 if batch is None else batch, dict(fingerprints), dict(marks), dict(contents))

    def begin(self) -> None:
        """Drop what is remembered of contents: after a cut build nothing may count as unchanged."""
        self.connection.execute("delete from build.contents")

    def forget(self, names: Iterable[str]) -> None:
        """Drop the fingerprints of tables about to be changed, so that a cut build is done again."""
        self.connection.execute(
            "delete from build.fingerprints where list_contains($1::varchar[], name)", [list(names)]
        )

    def remember(self, state: BuildState, rebuilt: Mapping[str, Parts]) -> None:
        """Keep what this build leaves, all at once; `rebuilt` is added to what waits to be published."""
        waiting: list[tuple[str, dt.date | None]] = []
        for name, parts in rebuilt.items():
            waiting += [(name, None)] if parts == EVERYTHING else [(name, p) for p in sorted(parts)]
        with transaction(self.connection):
            self.connection.execute("delete from build.fingerprints")
            self._append("build.fingerprints", state.fingerprints.items())
            self.connection.execute("delete from build.marks")
            self._append("build.marks", state.marks.items())
            self.connection.execute("delete from build.contents")
            self._append("build.contents", state.contents.items())
            self._append("build.unpublished", waiting, "date")
            self.connection.execute("delete from build.batch")
            self.connection.execute("insert into build.batch values ($1)", [state.batch_id])

    def _append(self, table: str, pairs: Iterable[tuple[str, Any]], second: str = "varchar") -> None:
        """Add rows to one of the small tables of two columns; lists of values need no Arrow library."""
        names, kept = zip(*pairs, strict=True) if pairs else ((), ())
        self.connection.execute(
            f"insert into {table} select unnest($1::varchar[]), unnest($2::{second}[])",
            [list(names), list(kept)],
        )

    def unpublished(self) -> dict[str, Parts]:
        """Return what was rebuilt since the last publishing, by table."""
        rows = self.connection.execute("select distinct name, part from build.unpublished").fetchall()
        found: dict[str, Parts] = {name: EVERYTHING for name, part in rows if part is None}
        for name, part in rows:
            known = found.get(name, frozenset())
            found[name] = EVERYTHING if known == EVERYTHING else known | {part}
        return found

    def published(self) -> tuple[str, int, str] | None:
        """Return the file published last, its size when written whole (bytes), and what it described."""
        rows = self.connection.execute("from build.published").fetchall()
        return rows[0] if rows else None

    def note_published(self, file: str, whole_bytes: int, described: str) -> None:
        """Keep which file was published; nothing waits any more."""
        with transaction(self.connection):
            self.connection.execute("delete from build.published")
            self.connection.execute(
                "insert into build.published values ($1, $2, $3)", [file, whole_bytes, described]
            )
            self.connection.execute("delete from build.unpublished")

    def create_view(self, name: str, query: str) -> None:
        """Make or replace a view."""
        self._make("view", name, query)

    def replace_table(self, name: str, partition: str | None, query: str) -> None:  # noqa: ARG002
        """Make or replace a table as a whole; DuckDB keeps partitions only as values of a column."""
        self._make("table", name, query)

    def _make(self, kind: str, name: str, query: str) -> None:
        """Make or replace what stands under `name`; something of the other kind there is rare, so it is tried first."""
        statement = f"create or replace {kind} {quote(name)} as {query}"
        try:
            self.connection.execute(statement)
        except duckdb.CatalogException:
            if self._kind(name) in (kind, ""):
                raise
            self.drop(name)
            self.connection.execute(statement)

    def replace_partitions(self, name: str, only: str, query: str) -> None:
        """Replace the rows of a table for which `only` holds, all at once."""
        with transaction(self.connection):
            self.connection.execute(f"delete from {quote(name)} where {only}")  # noqa: S608
            self.connection.execute(f"insert into {quote(name)} by name {query}")

    def drop(self, name: str) -> None:
        """Drop a table or view that no model makes any more."""
        if kind := self._kind(name):
            self.connection.execute(f"drop {kind} {quote(name)}")

    def _kind(self, name: str) -> str:
        """Return `table` or `view`, as which `name` stands; empty where nothing does."""
        schema, _, table = name.rpartition(".")
        found = self.connection.execute(
            "select case when table_type = 'VIEW' then 'view' else 'table' end from information_schema.tables"
            " where table_catalog = current_database() and table_schema = $1 and table_name = $2",
            [schema or "main", table],
        ).fetchall()
        return str(found[0][0]) if found else ""
