"""Evidence on readings that stand still on one van while they move on its siblings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl

from pipeline.build.codes import as_frame, encode
from pipeline.compare.multiplicity import benjamini_hochberg
from pipeline.compare.stillness import judge_stillness
from pipeline.findings import frozen
from pipeline.findings.records import Finding
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

PARENTS = ("reading_movement", "cohorts", "vocab.parameters")
# Rounding of a turned unit is no movement: a hair more than one step still counts as none.
_IS_ANY_STILL = (
    "select 1 from reading_movement where value_most - value_least <= resolution * 1.000001 limit 1"
)
_MOVEMENT = "select * from reading_movement where cohort_id is not null"
_COHORTS = "select cohort_id, make, model, engine, model_year from cohorts"
_UNITS = "select parameter, unit from vocab.parameters"
KINDS = ("within", "steps", "gaps")


def _judge(frame: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Add the chance of standing still, kind by kind, and how many siblings speak."""
    group, _ = encode(frame, ["cohort_id", "parameter", "reader"])
    reach = (frame["value_most"] - frame["value_least"]).to_numpy()
    is_still = reach <= frame["resolution"].to_numpy() * 1.000001
    added = {"is_still": pl.Series(is_still)}
    for kind in KINDS:
        found = judge_stillness(
            group,
            frame[f"n_{kind}"].to_numpy(),
            frame[f"n_moved_{kind}"].to_numpy(),
            is_still,
            min_siblings=settings.evidence.min_siblings,
        )
        added[f"log_p_{kind}"] = pl.Series(np.log(found.p)).fill_nan(None)
        added[f"n_siblings_{kind}"] = pl.Series(found.n_siblings)
    return frame.with_columns(**added)


def read_still(engine: Engine, settings: Settings) -> list[dict[str, Any]]:
    """Vans on which a reading never moved, with p and q over every van and reading that could be judged."""
    if not engine.values(_IS_ANY_STILL):
        return []
    frame = as_frame(engine.arrow(_MOVEMENT))
    judged = _judge(frame, settings)
    logs = [pl.col(f"log_p_{kind}") for kind in KINDS]
    cells = judged.group_by(["van", "parameter"], maintain_order=True).agg(
        pl.col("cohort_id", "resolution").first(),
        pl.col("is_still").all(),
        *[pl.col(f"n_{kind}").sum() for kind in KINDS],
        pl.col("value_least").min(),
        pl.col("value_most").max(),
        pl.col("n_scans").sum(),
        pl.col("first_seen").min(),
        pl.col("last_seen").max(),
        n_siblings=pl.max_horizontal([f"n_siblings_{kind}" for kind in KINDS]).max(),
        log_p=pl.sum_horizontal(logs).sum(),
        could_judge=pl.any_horizontal([log.is_not_null() for log in logs]).any(),
    )
    cells = cells.filter("could_judge")
    p = np.where(cells["is_still"].to_numpy(), np.exp(cells["log_p"].to_numpy()), 1.0)
    cells = cells.with_columns(p=pl.Series(p), q=pl.Series(benjamini_hochberg(p)))
    told = cells.filter(pl.col("is_still") & (pl.col("q") <= settings.tiers.finding_q))
    if told.is_empty():
        return []
    cohorts, units = (as_frame(engine.arrow(query)) for query in (_COHORTS, _UNITS))
    return told.join(cohorts, on="cohort_id").join(units, on="parameter").sort("van", "parameter").to_dicts()


def collect(engine: Engine, settings: Settings, found: Sequence[Finding]) -> list[Finding]:
    """Return the findings with frozen readings among them; what else the same reading showed is told with it."""
    return frozen.absorb(found, [frozen.find(row) for row in read_still(engine, settings)])
