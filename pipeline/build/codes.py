"""Text columns as integer codes, for arithmetic that knows nothing of names."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

IntArray = NDArray[np.int64]


def as_frame(table: pa.Table) -> pl.DataFrame:
    """Return an Arrow table as a polars frame."""
    frame = pl.from_arrow(table)
    assert isinstance(frame, pl.DataFrame)
    return frame


def encode(frame: pl.DataFrame, columns: Sequence[str]) -> tuple[IntArray, pl.DataFrame]:
    """Number the distinct combinations of some columns.

    Returns
    -------
    codes : (rows,) int
        Number of each row's combination.
    known : pl.DataFrame
        The combinations; row i is number i. Sorted, so that the numbers do not depend on row order.
    """
    known = frame.select(columns).unique().sort(list(columns), nulls_last=True)
    numbered = known.with_row_index("__code")
    joined = frame.select(columns).join(
        numbered, on=list(columns), how="left", nulls_equal=True, maintain_order="left"
    )
    return joined["__code"].cast(pl.Int64).to_numpy(), known
