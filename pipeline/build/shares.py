"""Computed table `computed.variance_shares`: model year, van, reader, exposure and the rest, reading by reading."""

from __future__ import annotations

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
PARENTS = ("int_share_cells", "int_cells", "computed.exposure_effects", "vocab.parameters")
FACTORS = {"model_year": "cohort_no", "van": "van_no", "reader": "reader_no"}
PARTS = [*FACTORS, "rest", "exposure"]
MIN_VANS = 6  # with fewer, the spread between vans is as good as unknown (proposal)
_CELLS = "select * from int_share_cells"
_READINGS = """
select c.cell_no, c.parameter, c.state, p.unit, coalesce(e.n_exposures, 0) as n_exposures
from int_cells as c
inner join vocab.parameters as p on c.parameter = p.parameter
left join (
    select x.parameter, x.state, count(distinct concat(x.attribute, '=', x.level)) as n_exposures
    from computed.exposure_effects as x where x.effect <> 0 group by x.parameter, x.state
) as e on c.parameter = e.parameter and c.state = e.state
order by c.cell_no
"""
_WHY = {
    "model_year": "no model has vans of two years that can be told from their readers",
    "van": "too few scans a van to tell vans from single scans",
    "reader": "one reader only, or each group of vans has its own reader",
    "exposure": "no exposure was found to move this reading",
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


def _parts(found: Components, exposure: FloatArray, n_exposures: IntArray, n_scans: IntArray) -> pl.DataFrame:
    """The parts of one reading after the other, the exposures' last, beside what was estimated without them."""
    total = np.nansum(found.variance, axis=1) + exposure
    whole = np.where(total > 0, total, np.nan)
    keep = ((total - exposure) / whole)[:, None]
    is_moved = n_exposures > 0

    def column(estimated: FloatArray, of_exposure: FloatArray) -> pl.Series:
        values = np.column_stack([estimated, np.where(is_moved, of_exposure, np.nan)])
        return pl.Series(values.ravel(), nan_to_null=True)

    unknown = np.full(len(total), np.nan)
    is_missing = np.column_stack([np.isnan(found.variance), ~is_moved])
    return pl.DataFrame(
        {
            "part": PARTS * len(total),
            "share": column(found.share * keep, exposure / whole),
            "low": column(found.low * keep, unknown),
            "high": column(found.high * keep, unknown),
            "deviation": column(np.sqrt(found.variance), np.sqrt(exposure)),
            "n_levels": np.column_stack([found.levels, n_scans, n_exposures]).ravel(),
            "reason": [
                _WHY.get(part) if lost else None
                for part, lost in zip(PARTS * len(total), is_missing.ravel().tolist(), strict=True)
            ],
        }
    )


def find_shares(engine: Engine) -> pa.Table:
    """Return the parts of every reading with enough vans, a row each."""
    cells = as_frame(engine.arrow(_CELLS))
    frame = cells.filter(pl.col("van_no").n_unique().over("cell_no") >= MIN_VANS)
    if frame.is_empty():
        return table([], _SCHEMA)
    measure, known = dense_codes(frame["cell_no"].to_numpy())
    family, *factors = (frame[name].cast(pl.Int64).to_numpy() for name in ("family_no", *FACTORS.values()))
    value, square, shift, shift_square, n_scans = (
        frame[name].to_numpy()
        for name in ("value_mean", "value_square", "exposure_mean", "exposure_square", "n_scans")
    )
    found = share_out(measure, value, family, factors, n_rows=n_scans, square=square)
    exposure = _exposure_variance(measure, family, shift, shift_square, n_scans)
    all_readings = as_frame(engine.arrow(_READINGS))
    readings = all_readings[np.searchsorted(all_readings["cell_no"].to_numpy(), known).tolist()].with_columns(
        n_vans=pl.Series(found.levels[:, list(FACTORS).index("van")]),
        n_scans=pl.Series(np.bincount(measure, n_scans).astype(np.int64)),
    )
    parts = _parts(found, exposure, readings["n_exposures"].to_numpy(), readings["n_scans"].to_numpy())
    heads = readings[np.repeat(np.arange(len(readings)), len(PARTS)).tolist()]
    return pl.concat([heads, parts], how="horizontal").select(_SCHEMA.names).to_arrow().cast(_SCHEMA)


def write_shares(engine: Engine, settings: Settings) -> None:  # noqa: ARG001 - one shape for all steps
    """Write `computed.variance_shares`, five rows a reading."""
    engine.write(SHARES, find_shares(engine))
