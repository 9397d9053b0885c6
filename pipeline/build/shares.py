"""Computed table `computed.variance_shares`: model year, van, reader, exposure and the rest, reading by reading."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.build.codes import IntArray, as_frame
from pipeline.columns import table
from pipeline.compare.effects_design import FloatArray, dense_codes
from pipeline.compare.shares import Components, share_out
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

SHARES = "computed.variance_shares"
PARENTS = ("int_share_scans", "int_cells", "computed.exposure_effects", "vocab.parameters")
FACTORS = {"model_year": "cohort_no", "van": "van_no", "reader": "reader_no"}
MIN_VANS = 6  # with fewer, the spread between vans is as good as unknown (proposal)
_QUERY = """
select cell_no - 1 as measure, family_no, cohort_no, van_no, reader_no, count(*) as n_scans,
    avg(value_shared) as value, count(*) * var_pop(value_shared) as value_square,
    avg(exposure_shift) as exposure, count(*) * var_pop(exposure_shift) as exposure_square
from int_share_scans
group by cell_no, family_no, cohort_no, van_no, reader_no
"""
_READINGS = """
select c.parameter, c.state, p.unit
from int_cells as c
inner join vocab.parameters as p on c.parameter = p.parameter
order by c.cell_no
"""
_EXPOSURES = """
select parameter, state, count(distinct concat(attribute, '=', level)) as n_levels
from computed.exposure_effects
where effect <> 0
group by parameter, state
"""
_WHY = {
    "model_year": "no model has vans of two years that can be told from their readers",
    "van": "too few scans a van to tell vans from single scans",
    "reader": "one reader only, or each group of vans has its own reader",
}
_SCHEMA = pa.schema(
    [
        *[pa.field(n, pa.string()) for n in ("parameter", "state", "unit", "part")],
        *[pa.field(n, pa.float64()) for n in ("share", "low", "high", "deviation")],
        *[pa.field(n, pa.int64()) for n in ("n_levels", "n_vans", "n_scans")],
        pa.field("reason", pa.string()),
    ]
)


def _exposure_variance(
    measure: IntArray, family: IntArray, shift: FloatArray, square: FloatArray, n_scans: IntArray
) -> FloatArray:
    """Variance, within models, of what exposures were found to add; known from the fleet and not estimated anew.

    `shift`, `square` and `n_scans` are of cells; the result is of measures.
    """
    block = measure * (int(family.max(initial=0)) + 1) + family
    mean = np.bincount(block, shift * n_scans) / np.maximum(np.bincount(block, n_scans), 1)
    off = square + n_scans * (shift - mean[block]) ** 2
    spread: FloatArray = np.bincount(measure, off) / np.bincount(measure, n_scans)
    return spread


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _rows(
    head: Mapping[str, Any], found: Components, at: int, exposure: float, n_exposures: int
) -> list[dict[str, Any]]:
    """The parts of one reading, with the exposures' beside what was estimated without them."""
    total = float(np.nansum(found.variance[at])) + exposure
    keep = (total - exposure) / total if total > 0 else np.nan
    rows: list[dict[str, Any]] = []
    for number, part in enumerate((*FACTORS, "rest")):
        variance = float(found.variance[at, number])
        rows.append(
            dict(head)
            | {
                "part": part,
                "share": _number(found.share[at, number] * keep),
                "low": _number(found.low[at, number] * keep),
                "high": _number(found.high[at, number] * keep),
                "deviation": _number(np.sqrt(variance)),
                "n_levels": int(found.levels[at, number]) if part in FACTORS else head["n_scans"],
                "reason": _WHY.get(part) if np.isnan(variance) else None,
            }
        )
    share = exposure / total if total > 0 and n_exposures else None
    why = None if n_exposures else "no exposure was found to move this reading"
    rows.append(
        dict(head) | {"part": "exposure", "share": share, "low": None, "high": None,
                       "deviation": float(np.sqrt(exposure)) if n_exposures else None, "n_levels": n_exposures,
                       "reason": why}
    )  # fmt: skip
    return rows


def find_shares(engine: Engine) -> list[dict[str, Any]]:
    """Return the parts of every reading with enough vans."""
    summed = as_frame(engine.arrow(_QUERY))
    frame = summed.filter(pl.col("van_no").n_unique().over("measure") >= MIN_VANS)
    if frame.is_empty():
        return []
    measure, known = dense_codes(frame["measure"].to_numpy())
    family, *factors = (frame[name].cast(pl.Int64).to_numpy() for name in ("family_no", *FACTORS.values()))
    value, square, shift, shift_square, n_scans = (
        frame[name].to_numpy() for name in ("value", "value_square", "exposure", "exposure_square", "n_scans")
    )
    found = share_out(measure, value, family, factors, n_rows=n_scans, square=square)
    exposure = _exposure_variance(measure, family, shift, shift_square, n_scans)
    exposures = {(p, s): n for p, s, n in as_frame(engine.arrow(_EXPOSURES)).iter_rows()}
    readings = as_frame(engine.arrow(_READINGS))[known.tolist()].with_columns(
        n_vans=pl.Series(found.levels[:, list(FACTORS).index("van")]),
        n_scans=pl.Series(np.bincount(measure, n_scans).astype(np.int64)),
    )
    rows: list[dict[str, Any]] = []
    for at, reading in enumerate(readings.iter_rows(named=True)):
        n_exposures = int(exposures.get((reading["parameter"], reading["state"]), 0))
        rows += _rows(reading, found, at, float(exposure[at]), n_exposures)
    return rows


def write_shares(engine: Engine, settings: Settings) -> None:  # noqa: ARG001 - one shape for all steps
    """Write `computed.variance_shares`, five rows a reading."""
    engine.write(SHARES, table(find_shares(engine), _SCHEMA))
