"""Hand-written tables for the models' cases: CSV in, typed DuckDB tables and comparable rows out.

A case is a folder `<model or check>/<case>/` with a CSV for each table the query reads
(`raw.scans.csv`, `stg_scans.csv` ...) and `expect.csv`. Lines that begin with `#` are remarks. An empty
cell is null, `''` an empty text. Tables without a CSV are empty, except the vocabulary and what is made
from it alone, which hold what ships. `expect.csv` may leave columns out, but never rows.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import duckdb

from pipeline.warehouse.engines import DuckDB, quote

FROM_VOCABULARY = ("stg_settings", "stg_physics", "int_state_conditions", "int_declared_states")


def read_rows(path: Path) -> tuple[list[str], list[list[str | None]]]:
    """Header and rows of a case's CSV."""
    lines = [line for line in path.read_text("utf-8").splitlines() if line and not line.startswith("#")]
    header, *rows = csv.reader(lines)
    for number, row in enumerate(rows, 2):
        assert len(row) == len(header), f"{path}, row {number}: {len(row)} cells under {len(header)} columns"
    cells: list[list[str | None]] = [
        [None if cell == "" else "" if cell == "''" else cell for cell in row] for row in rows
    ]
    return header, cells


def make_table(connection: duckdb.DuckDBPyConnection, house: DuckDB, name: str, path: Path | None) -> None:
    """Make one table a query reads, with the types it has in the house and the rows of a case."""
    schema = name.rpartition(".")[0]
    if schema:
        connection.execute(f"create schema if not exists {quote(schema)}")
    types = house.columns(name)
    if path is None and (schema == "vocab" or name in FROM_VOCABULARY):
        connection.register("incoming", house.arrow(f"from {quote(name)}"))
        connection.execute(f"create table {quote(name)} as from incoming")
        connection.unregister("incoming")
        return
    columns = ", ".join(f"{quote(c)} {t}" for c, t in types.items())
    connection.execute(f"create table {quote(name)} ({columns})")
    if path is not None:
        header, rows = read_rows(path)
        unknown = set(header) - set(types)
        assert not unknown, f"{path}: {name} has no column {sorted(unknown)}"
        insert_rows(connection, name, header, [types[c] for c in header], rows)


def insert_rows(
    connection: duckdb.DuckDBPyConnection,
    name: str,
    header: list[str],
    types: list[str],
    rows: Iterable[list[str | None]],
) -> None:
    """Insert text cells, cast to the table's types."""
    marks = ", ".join(f"cast(cast($%d as varchar) as {t})" % n for n, t in enumerate(types, 1))
    columns = ", ".join(quote(c) for c in header)
    for row in rows:
        connection.execute(f"insert into {quote(name)} ({columns}) values ({marks})", row)


def expected_rows(
    connection: duckdb.DuckDBPyConnection, path: Path, types: dict[str, str]
) -> tuple[list[str], list[tuple[Any, ...]]]:
    """Header and typed rows of `expect.csv`."""
    header, rows = read_rows(path)
    unknown = set(header) - set(types)
    assert not unknown, f"{path}: the query gives no column {sorted(unknown)}"
    connection.execute(f"create temp table expected ({', '.join(f'{quote(c)} {types[c]}' for c in header)})")
    insert_rows(connection, "expected", header, [types[c] for c in header], rows)
    return header, connection.execute("from expected").fetchall()


def _order(row: tuple[Any, ...]) -> tuple[tuple[bool, str], ...]:
    """What rows are sorted by: numbers to nine digits, nulls last."""
    return tuple((cell is None, f"{cell:.9g}" if isinstance(cell, float) else str(cell)) for cell in row)


def _same(left: Any, right: Any) -> bool:
    if isinstance(left, float) and isinstance(right, float):
        return math.isclose(left, right, rel_tol=1e-9, abs_tol=1e-9)
    return bool(left == right)


def differences(found: list[tuple[Any, ...]], expected: list[tuple[Any, ...]]) -> list[str]:
    """Rows that are in one list and not in the other, in words; empty where the lists agree."""
    left, right = sorted(found, key=_order), sorted(expected, key=_order)
    if len(left) == len(right) and all(
        all(_same(a, b) for a, b in zip(x, y, strict=True)) for x, y in zip(left, right, strict=True)
    ):
        return []
    extra = [f"found, not expected: {row}" for row in left if not _has(right, row)]
    return extra + [f"expected, not found: {row}" for row in right if not _has(left, row)] or [
        "rows are doubled"
    ]


def _has(rows: list[tuple[Any, ...]], row: tuple[Any, ...]) -> bool:
    return any(all(_same(a, b) for a, b in zip(row, other, strict=True)) for other in rows)
