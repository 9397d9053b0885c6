"""Parquet: every value as text, rows numbered from 1, batch by batch."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import KinbayError
from pipeline.read.sheets import MOST_COLUMNS, Piece, Sheet, part_long_cells

MOST_ROWS = 200_000_000
BATCH_ROWS = 200_000


def open_parquet(path: Path, name: str) -> Sheet:
    """Read the columns of a Parquet file; the rows are read when the sheet's pieces are.

    Raises
    ------
    KinbayError
        Where it is no Parquet file, or has nested columns or too many rows.
    """
    try:
        file = pq.ParquetFile(path)
    except (pa.ArrowException, OSError) as error:
        raise KinbayError("This is not a Parquet file", name, "Write it anew, or give a CSV.") from error
    schema, rows = file.schema_arrow, file.metadata.num_rows
    file.close()
    nested = [f.name for f in schema if pa.types.is_nested(f.type)]
    if nested:
        raise KinbayError(
            f"The column {nested[0]!r} holds lists or structures", name, "Give one value per cell."
        )
    if len(schema) > MOST_COLUMNS or rows > MOST_ROWS:
        raise KinbayError(
            "The file has too many columns or rows", name, f"Keep to {MOST_COLUMNS} and {MOST_ROWS:,}."
        )

    def pieces() -> Iterator[Piece]:
        return _pieces(path, name)

    return Sheet("", tuple(schema.names), pieces)


def _pieces(path: Path, name: str) -> Iterator[Piece]:
    line = 1
    try:
        with pq.ParquetFile(path) as file:
            size = path.stat().st_size
            for batch in file.iter_batches(BATCH_ROWS):
                frame, long = part_long_cells(_text(pa.Table.from_batches([batch]), line))
                yield Piece(frame, long, int(size * len(frame) / max(1, file.metadata.num_rows)))
                line += batch.num_rows
    except (pa.ArrowException, OSError) as error:
        raise KinbayError(
            "The Parquet file is damaged", f"{name}, after row {line - 1}", "Write it anew."
        ) from error


def _text(table: pa.Table, first_line: int) -> pl.DataFrame:
    """Cells as text: times as ISO 8601, those with a zone in UTC."""
    table = table.rename_columns([str(i) for i in range(table.num_columns)])
    found = pl.DataFrame(pl.from_arrow(table))
    columns = []
    for name, kind in found.schema.items():
        cell = pl.col(name)
        if isinstance(kind, pl.Datetime):
            if kind.time_zone:
                cell = cell.dt.convert_time_zone("UTC").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
            else:
                cell = cell.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f")
        elif kind == pl.Binary:
            cell = pl.lit(None)
        columns.append(cell.cast(pl.String).alias(name))
    return found.select(columns).with_row_index("line", offset=first_line).cast({"line": pl.Int64})
