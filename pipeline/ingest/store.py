"""Puts normalised rows into the raw store: what is there already is dropped and counted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import duckdb
import polars as pl


@dataclass(frozen=True)
class Sameness:
    """When two rows of a raw table are the same.

    Parameters
    ----------
    touches : str
        The column by whose values the rows to compare with are found.
    keys : tuple[str, ...]
        The columns that must be equal; empty means all but the line.
    within : str
        Where given, a key that is a time: rows outside the times of the new ones cannot equal them, and the store
        passes over them without reading them.
    newest_by : tuple[str, ...]
        Where given, only the newest earlier row of each of these counts: going back to an older state is news.
    """

    touches: str
    keys: tuple[str, ...] = ()
    within: str = ""
    newest_by: tuple[str, ...] = ()


SENTINEL = "sentinel_given"
"""What was given where it means that there is no value."""
SAMENESS = {
    "vans": Sameness("van", newest_by=("van",)),
    "van_attributes": Sameness("van", newest_by=("van", "attribute")),
    "scans": Sameness("scan_id"),
    "scan_modules": Sameness("scan_id"),
    "readings": Sameness(
        "scan_id", ("scan_id", "reader", "at", "parameter", "value", "state", SENTINEL), within="at"
    ),
    "codes": Sameness("scan_id"),
    "freeze_frames": Sameness(
        "scan_id", ("scan_id", "reader", "module", "code", "parameter", "value", SENTINEL)
    ),
    "work": Sameness("van"),
    "notes": Sameness("van"),
    "exposures": Sameness("van"),
    "limits": Sameness("parameter"),
}
READER_REASON = "The scan_id belongs to scans of several readers, and the row does not say which"
READER_REMEDY = "Add a column reader to the file and load it again."


class Store:
    """Writes the rows of one file into the raw store, inside the caller's transaction.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        The work file.
    batch_id : int
        The load's batch.
    file_id : str
        Content hash of the file.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection, batch_id: int, file_id: str) -> None:
        self._connection = connection
        self._batch_id = batch_id
        self._file_id = file_id

    def add(self, table: str, rows: pl.DataFrame) -> tuple[int, int]:
        """Store rows that are not there yet.

        Parameters
        ----------
        table : str
            Name in schema `raw`.
        rows : pl.DataFrame
            `line` and some of the table's columns; the others become null.

        Returns
        -------
        tuple of int
            Rows stored, rows that were there already.
        """
        if not len(rows):
            return 0, 0
        same = SAMENESS[table]
        keys = list(same.keys) or [c for c in rows.columns if c != "line"]
        fresh = _without_repeats(_with_sentinel(rows, same), keys)
        earlier = self._earlier(table, fresh, same)
        if len(earlier):
            fresh = fresh.join(earlier, on=keys, how="anti", nulls_equal=True, maintain_order="left")
        self._insert(table, fresh.select(rows.columns))
        return len(fresh), len(rows) - len(fresh)

    def _earlier(self, table: str, rows: pl.DataFrame, same: Sameness) -> pl.DataFrame:
        """Rows of the store that the new ones may repeat."""
        stored = self._connection.table(f"raw.{table}").set_alias("stored")
        if same.within:
            stored = stored.filter(_between(rows[same.within]))
        touched = self._connection.from_arrow(rows.select(same.touches).unique().to_arrow())
        near = stored.join(touched.set_alias("touched"), same.touches, how="semi")
        if same.keys:
            given = [c for c in same.keys if c != SENTINEL] + ["value_given"] * (SENTINEL in same.keys)
            near = near.select(*dict.fromkeys(given))
        found = near.pl()
        if same.newest_by and len(found):
            found = found.sort("batch_id", "line", maintain_order=True).unique(same.newest_by, keep="last")
        return _with_sentinel(found, same)

    def _insert(self, table: str, rows: pl.DataFrame) -> None:
        if not len(rows):
            return
        full = rows.with_columns(
            pl.lit(self._batch_id, pl.Int64).alias("batch_id"), pl.lit(self._file_id).alias("file_id")
        )
        names = self._connection.table(f"raw.{table}").columns
        missing = [pl.lit(None).alias(n) for n in names if n not in full.columns]
        given = full.with_columns(missing).select(names).to_arrow(compat_level=pl.CompatLevel.newest())
        self._connection.from_arrow(given).insert_into(f"raw.{table}")

    def add_rejects(self, file: str, table: str | None, rejects: pl.DataFrame) -> None:
        """Keep what could not be taken; columns line, column_name, value, reason, remedy."""
        rows = rejects.with_columns(pl.lit(file).alias("file"), pl.lit(table, pl.String).alias("table_name"))
        self._insert("rejects", rows)

    def part_unclear_readers(self, rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Part rows that do not name their reader though their scan_id belongs to several.

        Returns
        -------
        tuple of pl.DataFrame
            The clear rows, and the unclear ones as rejects.
        """
        unnamed = rows.filter(pl.col("reader").is_null())
        if not len(unnamed):
            return rows, pl.DataFrame()
        touched = self._connection.from_arrow(unnamed.select("scan_id").unique().to_arrow()).set_alias(
            "touched"
        )
        scans = self._connection.table("raw.scans").set_alias("scans")
        found = scans.join(touched, "scan_id", how="semi").select("scan_id", "reader").distinct().pl()
        several = found.filter(found["scan_id"].is_duplicated())["scan_id"].unique()
        if not len(several):
            return rows, pl.DataFrame()
        unclear = pl.col("reader").is_null() & pl.col("scan_id").is_in(several.implode())
        rejects = rows.filter(unclear).select(
            "line",
            pl.lit("reader").alias("column_name"),
            pl.col("scan_id").alias("value"),
            pl.lit(READER_REASON).alias("reason"),
            pl.lit(READER_REMEDY).alias("remedy"),
        )
        return rows.filter(~unclear), rejects

    def note_file(
        self,
        *,
        file: str,
        layout: str | None,
        table: str | None,
        size_bytes: int,
        loaded_at: datetime,
        counts: tuple[int, int, int],
    ) -> None:
        """Note the file itself, with the rows taken, there already and left out."""
        self._connection.execute(
            "insert into raw.files values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
            [self._batch_id, self._file_id, file, layout, table, size_bytes, loaded_at, *counts],
        )

    def remove_file(self) -> None:
        """Take out again what this file put in: a question came up after the first rows."""
        for statement in _DELETES:
            self._connection.execute(statement, [self._batch_id, self._file_id])


_DELETES = tuple(
    f"delete from raw.{table} where batch_id = $1 and file_id = $2"  # noqa: S608 - names from SAMENESS alone
    for table in (*SAMENESS, "rejects", "files")
)


def _with_sentinel(rows: pl.DataFrame, same: Sameness) -> pl.DataFrame:
    """Sentinels have no value: what was given tells them apart."""
    given = pl.when(pl.col("value").is_null()).then("value_given").alias(SENTINEL)
    return rows.with_columns(given) if SENTINEL in same.keys else rows


def _between(times: pl.Series) -> duckdb.Expression:
    """Say of a stored time whether one of the new ones may equal it."""
    stored = duckdb.ColumnExpression(times.name)
    first, last = (duckdb.ConstantExpression(t) for t in (times.min(), times.max()))
    inside = stored.between(first, last)
    return (stored.isnull() | inside) if times.null_count() else inside


def _without_repeats(rows: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    """The first of equal rows; looked for only where hashes say that there are any."""
    hashes = rows.select(keys).hash_rows()
    if hashes.n_unique() == len(rows):
        return rows
    return rows.sort("line", maintain_order=True).unique(keys, keep="first", maintain_order=True)
