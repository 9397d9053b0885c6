"""Arrow columns made without pandas: the same as pyarrow makes, and pandas stays out of the process."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from pipeline.columns import column, known, table


@pytest.mark.parametrize(
    ("values", "kind"),
    [
        (["a", None, "ü"], pa.string()),
        ([], pa.string()),
        ([1, 2.5, None, float("nan"), np.float64(3)], pa.float64()),
        ((1, None, np.int64(3)), pa.int64()),
        (range(3), pa.int64()),
        ([True, None, False], pa.bool_()),
        ([dt.date(2026, 2, 28), None], pa.date32()),
        ([dt.datetime(2026, 2, 28, 7, 40, 0, 5), None], pa.timestamp("us")),
        (np.array([1, 2], dtype=np.int32), pa.int64()),
        (pa.array([1, None]), pa.float64()),
    ],
)
def test_a_column_is_what_pyarrow_makes(values: Any, kind: pa.DataType) -> None:
    theirs = values.cast(kind) if isinstance(values, pa.Array) else pa.array(values, kind)
    made = column(values, kind)
    assert made.type == kind
    assert repr(made.to_pylist()) == repr(theirs.to_pylist())


def test_nan_becomes_null_only_where_asked() -> None:
    given = np.array([1.0, np.nan])
    assert known(given).to_pylist() == [1.0, None]
    assert known(given).to_pylist() == pa.array(given, pa.float64(), from_pandas=True).to_pylist()


def test_rows_become_a_table_and_missing_fields_null() -> None:
    schema = pa.schema([("a", pa.int64()), ("b", pa.string())])
    rows: list[dict[str, Any]] = [{"a": 1}, {"b": "x", "c": 3}]
    assert table(rows, schema).equals(pa.Table.from_pylist(rows, schema=schema))
    assert table([], schema).schema == schema


def test_a_value_of_another_kind_is_refused() -> None:
    with pytest.raises(TypeError):
        column(["x"], pa.float64())


def test_no_pandas_is_imported() -> None:
    code = (
        "import sys, pyarrow as pa; from pipeline.columns import table;"
        "table([{'a': 1.0}], pa.schema([('a', pa.float64())])); assert 'pandas' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
