"""Computed table `computed.variance_shares`: model year, van, reader, exposure and the rest, reading by reading."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.build.codes import as_frame, encode
from pipeline.columns import table
from pipeline.compare.shares import Components, share_out
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

SHARES = "computed.variance_shares"
PARENTS = ("int_share_scans", "int_cells", "computed.exposure_effects", "vocab.parameters", "vocab.settings")
FACTORS = {"model_year": "cohort_no", "van": "van_no", "reader": "reader_no"}
MIN_VANS = 6  # with fewer, the spread between vans is as good as unknown (proposal)
_QUERY = """
select cell_no, family_no, cohort_no, van_no, reader_no, value_shared, exposure_shift
from int_share_scans
order by cell_no, van_no, scan_no
"""
_CELLS = """
select c.cell_no, c.parameter, c.state, p.unit
from int_cells as c
inner join vocab.parameters as p on c.parameter = p.parameter
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


def _exposure_variance(shift: NDArray[np.float64], family: NDArray[np.int64]) -> float:
    """Variance, within models, of what exposures were found to add; known from the fleet and not estimated anew."""
    mean = np.bincount(family, shift) / np.maximum(np.bincount(family), 1)
    return float(np.mean((shift - mean[family]) ** 2))


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _rows(
    head: Mapping[str, Any], found: Components, exposure: float, n_exposures: int
) -> list[dict[str, Any]]:
    """The parts of one reading, with the exposures' beside what was estimated without them."""
    total = float(np.nansum(found.variance)) + exposure
    keep = (total - exposure) / total if total > 0 else np.nan
    rows: list[dict[str, Any]] = []
    for number, part in enumerate((*FACTORS, "rest")):
        variance = float(found.variance[number])
        rows.append(
            dict(head)
            | {
                "part": part,
                "share": _number(found.share[number] * keep),
                "low": _number(found.low[number] * keep),
                "high": _number(found.high[number] * keep),
                "deviation": _number(np.sqrt(variance)),
                "n_levels": int(found.levels[number]) if part in FACTORS else head["n_scans"],
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
    frame = as_frame(engine.arrow(_QUERY))
    exposures = {(p, s): n for p, s, n in as_frame(engine.arrow(_EXPOSURES)).iter_rows()}
    family, *factors = (encode(frame, [column])[0] for column in ("family_no", *FACTORS.values()))
    value, shift = frame["value_shared"].to_numpy(), frame["exposure_shift"].to_numpy()
    readings = (
        frame.with_row_index("first")
        .group_by("cell_no", maintain_order=True)
        .agg(pl.col("first").first(), n_scans=pl.len())
        .join(as_frame(engine.arrow(_CELLS)), on="cell_no", how="left", maintain_order="left")
        .select("parameter", "state", "unit", "first", "n_scans")
    )
    rows: list[dict[str, Any]] = []
    for reading in readings.iter_rows(named=True):
        first = reading.pop("first")
        part = slice(first, first + reading["n_scans"])
        van, reader = factors[1][part], factors[2][part]
        reading["n_vans"] = len(np.unique(van))
        if reading["n_vans"] < MIN_VANS:
            continue
        cells = len(np.unique(van * (int(reader.max()) + 1) + reader))
        runs = int(np.clip(150_000 // cells, 60, 200))
        found = share_out(value[part], family[part], [f[part] for f in factors], runs=runs)
        exposure = _exposure_variance(shift[part], family[part])
        rows += _rows(
            reading, found, exposure, int(exposures.get((reading["parameter"], reading["state"]), 0))
        )
    return rows


def write_shares(engine: Engine, settings: Settings) -> None:  # noqa: ARG001 - one shape for all steps
    """Write `computed.variance_shares`, five rows a reading."""
    engine.write(SHARES, table(find_shares(engine), _SCHEMA))
