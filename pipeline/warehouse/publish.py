"""Hands finished marts to the dashboard: a new read-only file, then a switch of the pointer.

Readers open the file that `current.json` names and keep it for as long as they like; a build never
touches a published file, and a path is never used twice (within one process DuckDB would hand a
second opening of the same path the old, cached database). Where little has changed, the new file
begins as a copy of the last one and only what was rebuilt since is written anew, while the build is
still at work on other tables.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

import duckdb

from pipeline.errors import KinbayError
from pipeline.warehouse import past_findings
from pipeline.warehouse.checks import CheckResult
from pipeline.warehouse.engines import EVERYTHING, DuckDB, Engine, Parts, joined, quote, transaction
from pipeline.warehouse.models import Header, Model, read_header
from pipeline.warehouse.published import NAME, POINTER, export_tables, open_published, reading
from pipeline.warehouse.runner import Afterwards, within

__all__ = ["export_tables", "open_published", "publish", "reading", "remove_old"]

_OPENING = "open the draft"
_TOLD, _PAST = ("builds", "check_results"), "finding_history"
_RESULTS = """
insert into published.check_results (check_name, severity, sentence, remedy, n_rows, examples)
select
    unnest($1::varchar[]), unnest($2::varchar[]), unnest($3::varchar[]), unnest($4::varchar[]), unnest($5::bigint[]),
    unnest($6::varchar[])
"""
_GROWTH = 1.5
"""A copied file may grow to this many times its size when last written whole."""


def publish(
    engine: DuckDB,
    models: Sequence[Model],
    folder: Path,
    build_row: Mapping[str, Any],
    results: Sequence[CheckResult] = (),
    keep: int = 3,
) -> Path:
    """Write the marts of a finished build to a new file in `folder` and point to it; return its path.

    Parameters
    ----------
    engine : DuckDB
        The work file, just built.
    models : sequence of Model
        As built; those of layer marts are published.
    folder : Path
        The warehouse folder; the caller holds its lock.
    build_row : mapping
        The one row of table `builds` (see builds_table.sql).
    results : sequence of CheckResult
        Becomes table `check_results`.
    keep : int
        How many published files to leave, the new one included.

    Raises
    ------
    KinbayError
        Where a stop check found something: nothing is written and the last file stays published.
    """
    _refuse_stopped(results)
    with drafting(engine, models, folder) as draft:
        for work in draft.work():
            work.run(engine, {})
        return draft.hand_over(build_row, results, keep)


@contextlib.contextmanager
def drafting(
    engine: DuckDB, models: Sequence[Model], folder: Path, *, is_whole: bool = False
) -> Iterator[Draft]:
    """Keep a draft of the next file for the length of a block; what was not handed over is thrown away."""
    draft = Draft(engine, models, folder, is_whole=is_whole)
    try:
        yield draft
    finally:
        engine.connection.execute("detach database if exists published")
        _clear(draft.path)


class Draft:
    """The next file while it is written: what has changed is copied as soon as it stands.

    Parameters
    ----------
    engine : DuckDB
        The work file.
    models : sequence of Model
        As built; those of layer marts are published.
    folder : Path
        The warehouse folder; the caller holds its lock.
    is_whole : bool
        Whether every mart is made anew, so that a copy of the last file would only be overwritten.
    """

    def __init__(
        self, engine: DuckDB, models: Sequence[Model], folder: Path, *, is_whole: bool = False
    ) -> None:
        self.path = folder / ".publishing.duckdb"
        self._engine, self._folder = engine, folder
        self._marts = [m for m in models if m.layer == "marts"]
        self._described = _descriptions(self._marts)
        self._old, self._whole_bytes = _last_published(engine, folder, self._described)
        self._is_whole = is_whole or not self._old or self._old.stat().st_size > _GROWTH * self._whole_bytes
        self._waiting: Mapping[str, Parts] = engine.unpublished()
        if self._is_whole:
            self._waiting, self._whole_bytes = {m.name: EVERYTHING for m in self._marts}, 0
        self._copied: Mapping[str, list[tuple[str, str]]] = {}

    def work(self) -> list[Afterwards]:
        """Return the copying of the marts, and of what builds before found, as work for `runner.build`."""
        copies = [
            Afterwards(f"publish {m.name}", (m.name, _OPENING), partial(self._copy, m)) for m in self._marts
        ]
        past = Afterwards("carry over past findings", (_OPENING,), self._carry_over)
        return [Afterwards(_OPENING, (), self._open), *copies, past]

    def _open(self, engine: Engine, _: Mapping[str, Parts]) -> None:
        """Begin with the last file, with its empty tables and their comments where all rows are new, or with nothing.

        A draft needs no log, since one that is cut short is thrown away.
        """
        _clear(self.path)
        if self._old and not self._is_whole:
            shutil.copyfile(self._old, self.path)
        connection = _on(engine)
        connection.execute(f"attach {_literal(str(self.path))} as published (recovery_mode no_wal_writes)")
        if self._old and self._is_whole:
            with contextlib.suppress(duckdb.Error):  # of a damaged file nothing is needed
                connection.execute(f"attach {_literal(str(self._old))} as last (read_only)")
                connection.execute("copy from database last to published (schema)")
            connection.execute("detach database if exists last")
        self._copied = _columns_of_draft(connection) if self._old else {}

    def _copy(self, model: Model, engine: Engine, rebuilt: Mapping[str, Parts]) -> None:
        parts = joined(self._waiting.get(model.name, frozenset()), rebuilt.get(model.name, frozenset()))
        if not parts:
            return
        with transaction(_on(engine)) as connection:
            _write_mart(connection, model, parts, has_room=self._has_room(model, engine))

    def _carry_over(self, engine: Engine, _: Mapping[str, Parts]) -> None:
        connection = _on(engine)
        with transaction(connection):
            _emptied(connection, _PAST, has_room=_PAST in self._copied)
        past_findings.carry_over(connection, self._folder)

    def _has_room(self, model: Model, engine: Engine) -> bool:
        """Whether the draft has the table with the very columns, so that rows alone change and comments stay."""
        copied = self._copied.get(model.name)
        return copied is not None and copied == list(engine.columns(model.name).items())

    def hand_over(
        self, build_row: Mapping[str, Any], results: Sequence[CheckResult] = (), keep: int = 3
    ) -> Path:
        """Add what is told of the build, make the file the published one, and return its path.

        Raises
        ------
        KinbayError
            Where a stop check found something, or the build's row has a column too many: the last file stays.
        """
        _refuse_stopped(results)
        connection = self._engine.connection
        with transaction(connection):
            _tell(connection, build_row, results, has_room=set(_TOLD) <= set(self._copied))
        connection.execute("checkpoint published")
        connection.execute("detach published")
        _sync(self.path)
        name = _next_name(self._folder)
        self.path.replace(self._folder / name)
        _point(self._folder, name, build_row, self._engine.state().batch_id)
        whole_bytes = self._whole_bytes or (self._folder / name).stat().st_size
        self._engine.note_published(name, whole_bytes, self._described)
        remove_old(self._folder, keep)
        return self._folder / name


def _on(engine: Engine) -> duckdb.DuckDBPyConnection:
    """The connection of an engine: only DuckDB writes the published file."""
    if not isinstance(engine, DuckDB):
        raise TypeError(type(engine))
    return engine.connection


def _refuse_stopped(results: Sequence[CheckResult]) -> None:
    stopped = [r for r in results if r.stops]
    if stopped:
        first = stopped[0]
        raise KinbayError(
            f"{len(stopped)} check(s) stop this build from being published; the last one stays",
            f"{first.name}: {first.n_rows} row(s) against: {first.sentence.rstrip('.')}",
            first.remedy,
        )


def _next_name(folder: Path) -> str:
    """The next file name; numbers of files that are gone are not used again either."""
    used = [int(m.group(1)) for p in folder.iterdir() if (m := NAME.fullmatch(p.name))]
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        if m := NAME.fullmatch(json.loads((folder / POINTER).read_text("utf-8"))["file"]):
            used.append(int(m.group(1)))
    return f"marts-{max(used, default=0) + 1:06d}.duckdb"


def _last_published(engine: DuckDB, folder: Path, described: str) -> tuple[Path | None, int]:
    """The file this work file published last and its size when written whole.

    None where it is gone, or its tables and their descriptions are not those of today.
    """
    published = engine.published()
    if published and published[2] == described and (folder / published[0]).is_file():
        return folder / published[0], published[1]
    return None, 0


def _descriptions(marts: Sequence[Model]) -> str:
    """Hash of the marts' names and of all that is written into the file as comments."""
    said = sorted((m.name, m.sentence, m.grain, sorted(m.columns.items())) for m in marts)
    tables = [
        resources.files("pipeline.warehouse").joinpath(f"{t}_table.sql").read_text("utf-8")
        for t in (*_TOLD, _PAST)
    ]
    return hashlib.sha256(repr((said, tables)).encode()).hexdigest()[:16]


def _tell(
    connection: duckdb.DuckDBPyConnection,
    build_row: Mapping[str, Any],
    results: Sequence[CheckResult],
    *,
    has_room: bool,
) -> None:
    """Write the build's own row and what checks found."""
    builds, _ = [_emptied(connection, name, has_room=has_room) for name in _TOLD]
    row = {column: build_row.get(column) for column in builds}
    if stray := set(build_row) - set(builds):
        raise KinbayError("The build's own row has a column that table builds has not", min(stray))
    marks = ", ".join(f"${n}" for n in range(1, len(row) + 1))
    connection.execute(f"insert into published.builds values ({marks})", list(row.values()))  # noqa: S608
    connection.execute(_RESULTS, _columns(results))


def _columns(results: Sequence[CheckResult]) -> list[list[Any]]:
    """What checks found, as the columns of the published table."""
    return [
        [r.name for r in results],
        [r.severity for r in results],
        [r.sentence for r in results],
        [r.remedy for r in results],
        [r.n_rows for r in results],
        [json.dumps(r.examples, default=str) for r in results],
    ]


def _columns_of_draft(connection: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[str, str]]]:
    """The columns of the draft's tables with their types, in order, asked once for all tables."""
    found: dict[str, list[tuple[str, str]]] = {}
    for table, column, kind in connection.execute(
        "select table_name, column_name, data_type from duckdb_columns()"
        " where database_name = 'published' order by table_name, column_index"
    ).fetchall():
        found.setdefault(table, []).append((column, kind))
    return found


def _write_mart(connection: duckdb.DuckDBPyConnection, model: Model, parts: Parts, *, has_room: bool) -> None:
    target, source = f"published.{quote(model.name)}", quote(model.name)
    if has_room:
        only = within(model.partition_by, parts) if parts != EVERYTHING and model.partition_by else "true"
        connection.execute(f"delete from {target} where {only}")  # noqa: S608 - quoted names, typed dates
        connection.execute(f"insert into {target} by name select * from {source} where {only}")  # noqa: S608
        return
    connection.execute(f"create or replace table {target} as from {source}")
    sentence = f"{model.sentence} Grain: {model.grain}." if model.grain else model.sentence
    present = [column for column, *_ in connection.execute(f"from {target} limit 0").description or ()]
    _comment(connection, model.name, sentence, {c: model.columns[c] for c in present if c in model.columns})


def _emptied(connection: duckdb.DuckDBPyConnection, name: str, *, has_room: bool) -> list[str]:
    """Make one of the tables that are no models, or empty the one of a copied file; return its columns."""
    text = resources.files("pipeline.warehouse").joinpath(f"{name}_table.sql").read_text("utf-8")
    header: Header = read_header(text)
    if has_room:
        connection.execute(f"delete from published.{name}")  # noqa: S608 - one of the names above
        return list(header.columns)
    connection.execute(text.replace(f"create table {name} ", f"create table published.{name} "))
    _comment(connection, name, header.sentence, header.columns)
    return list(header.columns)


def _comment(
    connection: duckdb.DuckDBPyConnection, table: str, sentence: str, columns: Mapping[str, str]
) -> None:
    """Write the documentation of a published table and of its columns into it, as one script: hundreds cost."""
    said = [f"comment on table published.{quote(table)} is {_literal(sentence)}"]
    said += [
        f"comment on column published.{quote(table)}.{quote(column)} is {_literal(meaning)}"
        for column, meaning in columns.items()
    ]
    connection.execute(";\n".join(said))


def _literal(text: str) -> str:
    """Quote a text for statements that take no parameters."""
    return "'" + text.replace("'", "''") + "'"


def _point(folder: Path, name: str, build_row: Mapping[str, Any], batch_id: int) -> None:
    """Switch the pointer, so that a reader finds either the old file or the new one, whole."""
    built_at = build_row.get("built_at")
    said = {
        "file": name,
        "build_id": build_row.get("build_id"),
        "built_at": built_at.isoformat() if isinstance(built_at, dt.datetime) else built_at,
        "batch_id": batch_id,
    }
    draft = folder / f".{POINTER}"
    draft.write_text(json.dumps(said) + "\n", "utf-8")
    _sync(draft)
    draft.replace(folder / POINTER)
    _sync(folder)


def _sync(path: Path) -> None:
    """Have the system write a file, or a folder's list of files, to the disk."""
    if path.is_dir() and os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _clear(draft: Path) -> None:
    for path in (draft, draft.with_name(draft.name + ".wal")):
        path.unlink(missing_ok=True)


def remove_old(folder: Path, keep: int) -> None:
    """Remove all but the newest files; one that a reader holds open where that matters stays for now."""
    files = sorted(
        (p for p in folder.iterdir() if NAME.fullmatch(p.name)), key=lambda p: int(p.stem.split("-")[1])
    )
    for old in files[:-keep]:
        with contextlib.suppress(OSError):
            old.unlink()
