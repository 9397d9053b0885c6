"""JSON lines: one object per line, every value as text; a line that is no object is a broken line."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from pathlib import Path

import duckdb
import polars as pl

from pipeline.errors import KinbayError
from pipeline.read.sheets import BROKEN_SCHEMA, MOST_COLUMNS, Piece, Sheet, part_long_cells

BLOCK_BYTES = 16 * 2**20
REMEDY = "Write one JSON object per line, in UTF-8."


@cache
def _query(name: str) -> str:
    return files("pipeline.read").joinpath(f"queries/{name}.sql").read_text(encoding="utf-8")


def is_json_lines(path: Path) -> bool:
    """Say whether the first line with text is a whole JSON object."""
    with path.open("rb") as file:
        head = file.read(2**20).lstrip(b"\xef\xbb\xbf \t\r\n").split(b"\n", 1)[0]
    try:
        return isinstance(json.loads(head), dict)
    except (ValueError, RecursionError):
        return False


def open_json_lines(path: Path) -> Sheet:
    """Read the keys of a JSON lines file; the rows are read when the sheet's pieces are.

    Raises
    ------
    KinbayError
        Where the file is not UTF-8, or no line of it is a JSON object.
    """
    keys: dict[str, None] = {}
    with duckdb.connect() as connection:
        for lines, _ in _blocks(path):
            _register(connection, lines)
            keys |= dict.fromkeys(row[0] for row in connection.execute(_query("json_keys")).fetchall())
            if len(keys) > MOST_COLUMNS:
                raise KinbayError("The lines hold too many different keys", remedy=f"Keep to {MOST_COLUMNS}.")
    if not keys:
        raise KinbayError("No line of the file is a JSON object", remedy=REMEDY)
    header = tuple(keys)

    def pieces() -> Iterator[Piece]:
        with duckdb.connect() as connection:
            for lines, size in _blocks(path):
                _register(connection, lines)
                yield _piece(connection, header, size)

    return Sheet("", header, pieces)


def _blocks(path: Path) -> Iterator[tuple[pl.DataFrame, int]]:
    """Whole lines, block by block, with their numbers; blank lines are passed."""
    rest, first, size = b"", 1, 0
    with path.open("rb") as file:
        while True:
            block = file.read(BLOCK_BYTES)
            size = len(block)
            cut = (rest + block).rfind(b"\n") + 1 if block else len(rest)
            whole, rest = (rest + block)[:cut], (rest + block)[cut:]
            try:
                texts = whole.decode("utf-8-sig" if first == 1 else "utf-8").split("\n")
            except UnicodeDecodeError as error:
                raise KinbayError("The text is not utf-8", remedy=REMEDY) from error
            texts = texts[:-1] if texts[-1] == "" else texts
            frame = pl.DataFrame({"text": texts}, schema={"text": pl.String}).with_row_index(
                "line", offset=first
            )
            yield frame.filter(pl.col("text").str.strip_chars() != "").cast({"line": pl.Int64}), size
            first += len(texts)
            if not block:
                return


def _register(connection: duckdb.DuckDBPyConnection, lines: pl.DataFrame) -> None:
    connection.register("given", lines.to_arrow())
    connection.execute("create or replace temp table lines as " + _query("json_objects"))


def _piece(connection: duckdb.DuckDBPyConnection, header: tuple[str, ...], size: int) -> Piece:
    paths = ["/" + key.replace("~", "~0").replace("/", "~1") for key in header]
    found = connection.sql(_query("json_cells"), params={"paths": paths}).pl()
    cells = found.select(
        "line", *(pl.col("cells").list.get(i, null_on_oob=True).alias(str(i)) for i in range(len(header)))
    )
    frame, long = part_long_cells(cells)
    broken = connection.sql("select line, text as value from lines where not is_object order by line").pl()
    reasons = broken.with_columns(
        pl.col("value").str.slice(0, 200),
        reason=pl.lit("The line is not a JSON object"),
        remedy=pl.lit(REMEDY),
    )
    return Piece(frame, pl.concat([reasons.select(BROKEN_SCHEMA.keys()), long]), size)
