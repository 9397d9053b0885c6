"""Arrow columns and tables of Python values, made by polars.

`pyarrow.array` (and so `Schema.empty_table`) imports pandas first, wherever that is installed, which costs every load
and build most of a second.
polars is imported where a column is made: commands that only read the vocabulary's names do without it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

if TYPE_CHECKING:
    import polars as pl


@cache
def _polars_kinds() -> dict[pa.DataType, pl.DataType]:
    import polars as pl

    return {
        pa.string(): pl.String(),
        pa.float64(): pl.Float64(),
        pa.int32(): pl.Int32(),
        pa.int64(): pl.Int64(),
        pa.bool_(): pl.Boolean(),
        pa.date32(): pl.Date(),
        pa.timestamp("us"): pl.Datetime("us"),
    }


def column(values: Iterable[Any], kind: pa.DataType) -> pa.Array:
    """Return values (n,) as an Arrow array of `kind`; None becomes null, nan stays nan, an Arrow array is cast."""
    import polars as pl

    if isinstance(values, pa.Array):
        return values.cast(kind)
    given = values if isinstance(values, np.ndarray | Sequence) else list(values)
    return pl.Series(given, dtype=_polars_kinds()[kind]).to_arrow().cast(kind)


def known(values: np.ndarray) -> pa.Array:
    """Return numbers (n,) as an Arrow array of doubles in which nan is null."""
    import polars as pl

    return pl.Series(values, dtype=pl.Float64, nan_to_null=True).to_arrow()


def table(rows: Iterable[Mapping[str, Any]], schema: pa.Schema) -> pa.Table:
    """Return rows as an Arrow table of `schema`; a field that a row has not is null."""
    import polars as pl

    given, kinds = list(rows), _polars_kinds()
    columns = {name: [row.get(name) for row in given] for name in schema.names}
    types = {field.name: kinds[field.type] for field in schema}
    return pl.DataFrame(columns, schema=types).to_arrow().cast(schema)
