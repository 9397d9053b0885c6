"""Scan levels as numbers: names stand once with every scan and reading, the values beside whole numbers alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.build.codes import IntArray, as_frame, encode
from pipeline.compare.effects_design import FloatArray, dense_codes
from pipeline.warehouse.engines import Engine

PARENTS = ("int_numbered_values", "int_numbered_scans", "int_numbered_vans", "int_cells", "stg_settings")
# A van that is not in the register shares its seasons with nobody.
_SCANS = """
select s.scanned_at, s.scan_month, s.van_no, s.van, s.reader, s.reader_version,
    coalesce(v.family_id, concat('unregistered ', s.van)) as family_id
from int_numbered_scans as s
inner join int_numbered_vans as v on s.van_no = v.van_no
order by s.place
"""
_MEASURES = "select parameter, state from int_cells order by cell_no"
_VALUES = """
select s.place - 1 as scan, n.cell_no - 1 as measure, n.value
from int_numbered_values as n
inner join int_numbered_scans as s on n.scan_no = s.scan_no
cross join stg_settings as w
where s.age_days <= greatest(w.level_days, w.earlier_days) and s.reader is not null and n.value is not null
"""


@dataclass(frozen=True)
class Levels:
    """Scan levels of health readings in comparable states, as far back as any window reaches.

    Parameters
    ----------
    scans : (scans,) frame
        van, family_id, reader, reader_version, scanned_at and month (counted, 12 a year) of every scan with a level,
        in order of `scanned_at`.
    measures : (measures,) frame
        parameter and state, in that order; not all of them need have been read.
    scan, measure : (rows,) int
        Row of `scans` and of `measures` that each level belongs to.
    value : (rows,) float
        Levels, in the parameter's unit.
    """

    scans: pl.DataFrame
    measures: pl.DataFrame
    scan: IntArray
    measure: IntArray
    value: FloatArray


@dataclass(frozen=True)
class MonthLevels:
    """Levels summed up to one row per measure x van x month x reader, in order of measure, family, van, month and reader.

    `visits` holds family_id, van, month and reader, or what stands for it; per row its `visit` and `measure`, the mean
    `value` and the scans behind it (`n_scans`); `row` (levels,) is the row that each level went into.
    """

    visits: pl.DataFrame
    visit: IntArray
    measure: IntArray
    value: FloatArray
    n_scans: IntArray
    row: IntArray


def read_scans(engine: Engine) -> pl.DataFrame:
    """Return every numbered scan in order of its place, with its month (counted, 12 a year) and whose seasons it has."""
    month = pl.col("scan_month").dt.year().cast(pl.Int64) * 12 + pl.col("scan_month").dt.month() - 1
    return as_frame(engine.arrow(_SCANS)).with_columns(month=month)


def read_levels(engine: Engine) -> Levels:
    """Read the levels that season and readers are judged on."""
    values = as_frame(engine.arrow(_VALUES))
    scan, measure, value = (values[name].to_numpy() for name in ("scan", "measure", "value"))
    scans = read_scans(engine)
    is_used = np.bincount(scan, minlength=len(scans)) > 0
    return Levels(
        scans.filter(is_used).select("van", "family_id", "reader", "reader_version", "scanned_at", "month"),
        as_frame(engine.arrow(_MEASURES)),
        (np.cumsum(is_used) - 1)[scan],
        measure,
        value,
    )


def sum_months(levels: Levels, by: Sequence[str] = ("reader",)) -> MonthLevels:
    """Average the levels of a van's scans in one month by one reader, or by what else of the scans is named."""
    visit, visits = encode(levels.scans, ["family_id", "van", "month", *by])
    n_visits = max(len(visits), 1)
    row, known = dense_codes(levels.measure.astype(np.int64) * n_visits + visit[levels.scan])
    n_scans = np.bincount(row, minlength=len(known))
    value = np.bincount(row, levels.value, minlength=len(known)) / np.maximum(n_scans, 1)
    return MonthLevels(visits, known % n_visits, known // n_visits, value, n_scans, row)
