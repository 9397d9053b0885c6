"""Scan levels as numbers: names stand once with every scan and reading, the values beside whole numbers alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.build.codes import IntArray, as_frame, encode
from pipeline.compare.effects_design import FloatArray, dense_codes
from pipeline.warehouse.engines import Engine

PARENTS = (
    "scan_levels", "stg_scans", "stg_vans", "int_fleet", "stg_settings", "vocab.parameters", "vocab.states",
)  # fmt: skip
# A van that is not in the register shares its seasons with nobody.
_SCANS = """
select s.scan_key, s.scan_month, s.van, s.reader, s.reader_version, s.scanned_at,
    coalesce(v.family_id, concat('unregistered ', s.van)) as family_id,
    row_number() over (order by s.scanned_at, s.scan_key) - 1 as scan
from stg_scans as s
left join stg_vans as v on s.van = v.van
cross join int_fleet as f
cross join stg_settings as w
where date_diff('day', cast(s.scanned_at as date), cast(f.data_to as date)) <= greatest(w.level_days, w.earlier_days)
    and s.reader is not null
"""
_MEASURES = """
select p.parameter, s.state, row_number() over (order by p.parameter, s.state) - 1 as measure
from vocab.parameters as p
cross join vocab.states as s
where p.role = 'health' and s.is_comparable
"""
_VALUES = f"""
with scans as ({_SCANS}), measures as ({_MEASURES})
select cast(scans.scan as integer) as scan, cast(measures.measure as integer) as measure, l.value
from scan_levels as l
inner join scans on l.scan_month = scans.scan_month and l.scan_key = scans.scan_key
inner join measures on l.parameter = measures.parameter and l.state = measures.state
where l.value is not null
"""  # noqa: S608 - text of this module


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

    `visits` holds family_id, van, month and reader; per row its `visit` and `measure`, the mean `value` and the scans
    behind it (`n_scans`); `row` (levels,) is the row that each level went into.
    """

    visits: pl.DataFrame
    visit: IntArray
    measure: IntArray
    value: FloatArray
    n_scans: IntArray
    row: IntArray


def read_levels(engine: Engine) -> Levels:
    """Read the levels that season and readers are judged on."""
    values = as_frame(engine.arrow(_VALUES))
    scan, measure, value = (values[name].to_numpy() for name in ("scan", "measure", "value"))
    month = pl.col("scan_month").dt.year().cast(pl.Int64) * 12 + pl.col("scan_month").dt.month() - 1
    scans = as_frame(engine.arrow(_SCANS)).sort("scan").with_columns(month=month)
    is_used = np.bincount(scan, minlength=len(scans)) > 0
    return Levels(
        scans.filter(is_used).select("van", "family_id", "reader", "reader_version", "scanned_at", "month"),
        as_frame(engine.arrow(_MEASURES)).sort("measure").select("parameter", "state"),
        (np.cumsum(is_used) - 1)[scan],
        measure,
        value,
    )


def sum_months(levels: Levels) -> MonthLevels:
    """Average the levels of a van's scans by one reader in one month."""
    visit, visits = encode(levels.scans, ["family_id", "van", "month", "reader"])
    n_visits = max(len(visits), 1)
    row, known = dense_codes(levels.measure.astype(np.int64) * n_visits + visit[levels.scan])
    n_scans = np.bincount(row, minlength=len(known))
    value = np.bincount(row, levels.value, minlength=len(known)) / np.maximum(n_scans, 1)
    return MonthLevels(visits, known % n_visits, known // n_visits, value, n_scans, row)
