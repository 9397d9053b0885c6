"""Computed table `computed.variance_shares`: model year, van, reader, exposure and the rest, reading by reading."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.build.codes import as_frame, encode
from pipeline.columns import table
from pipeline.compare.shares import Components, share_out
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

SHARES = "computed.variance_shares"
PARENTS = ("int_share_scans", "computed.exposure_effects", "vocab.parameters", "vocab.settings")
FACTORS = {"model_year": "cohort_id", "van": "van", "reader": "reader"}
MIN_VANS = 6  # with fewer, the spread between vans is as good as unknown (proposal)
_QUERY = """
select s.*, p.unit
from int_share_scans as s
inner join vocab.parameters as p on s.parameter = p.parameter
order by s.parameter, s.state, s.family_id, s.van, s.scan_key
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


def _exposure_variance(frame: pl.DataFrame) -> float:
    """Variance, within models, of what exposures were found to add; known from the fleet and not estimated anew."""
    centred = (
        frame["exposure_shift"] - frame.select(pl.col("exposure_shift").mean().over("family_id")).to_series()
    )
    return float((centred**2).mean() or 0.0)  # type: ignore[arg-type]


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _rows(frame: pl.DataFrame, found: Components, n_exposures: int) -> list[dict[str, Any]]:
    """The parts of one reading, with the exposures' beside what was estimated without them."""
    exposure = _exposure_variance(frame)
    total = float(np.nansum(found.variance)) + exposure
    keep = (total - exposure) / total if total > 0 else np.nan
    head = frame.select("parameter", "state", "unit").row(0, named=True)
    told = {"n_vans": frame["van"].n_unique(), "n_scans": len(frame)}
    rows: list[dict[str, Any]] = []
    for number, part in enumerate((*FACTORS, "rest")):
        variance = float(found.variance[number])
        rows.append(
            head
            | told
            | {
                "part": part,
                "share": _number(found.share[number] * keep),
                "low": _number(found.low[number] * keep),
                "high": _number(found.high[number] * keep),
                "deviation": _number(np.sqrt(variance)),
                "n_levels": int(found.levels[number]) if part in FACTORS else len(frame),
                "reason": _WHY.get(part) if np.isnan(variance) else None,
            }
        )
    share = exposure / total if total > 0 and n_exposures else None
    why = None if n_exposures else "no exposure was found to move this reading"
    rows.append(
        head | told | {"part": "exposure", "share": share, "low": None, "high": None,
                       "deviation": float(np.sqrt(exposure)) if n_exposures else None, "n_levels": n_exposures,
                       "reason": why}
    )  # fmt: skip
    return rows


def find_shares(engine: Engine) -> list[dict[str, Any]]:
    """Return the parts of every reading with enough vans."""
    frame = as_frame(engine.arrow(_QUERY))
    exposures = {(p, s): n for p, s, n in as_frame(engine.arrow(_EXPOSURES)).iter_rows()}
    rows: list[dict[str, Any]] = []
    for (parameter, state), part in frame.group_by(["parameter", "state"], maintain_order=True):
        if part["van"].n_unique() < MIN_VANS:
            continue
        codes = [encode(part, [column])[0] for column in FACTORS.values()]
        base, _ = encode(part, ["family_id"])
        cells = part.select("van", "reader").n_unique()
        runs = int(np.clip(150_000 // max(cells, 1), 60, 200))
        found = share_out(part["value_shared"].to_numpy(), base, codes, runs=runs)
        rows += _rows(part, found, int(exposures.get((parameter, state), 0)))
    return rows


def write_shares(engine: Engine, settings: Settings) -> None:  # noqa: ARG001 - one shape for all steps
    """Write `computed.variance_shares`, five rows a reading."""
    engine.write(SHARES, table(find_shares(engine), _SCHEMA))
