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

PARENTS = ("reading_movement", "cohorts")
_MOVEMENT = """
select m.*, c.make, c.model, c.engine, c.model_year, p.unit
from reading_movement as m
inner join cohorts as c on m.cohort_id = c.cohort_id
inner join vocab.parameters as p on m.parameter = p.parameter
order by m.cohort_id, m.parameter, m.reader, m.van
"""
KINDS = ("within", "steps", "gaps")


def _judge(frame: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Add the chance of standing still, kind by kind, and how many siblings speak."""
    group, _ = encode(frame, ["cohort_id", "parameter", "reader"])
    # Rounding of a turned unit is no movement: a hair more than one step still counts as none.
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
    frame = as_frame(engine.arrow(_MOVEMENT))
    if frame.is_empty():
        return []
    judged = _judge(frame, settings)
    logs = [pl.col(f"log_p_{kind}") for kind in KINDS]
    cells = judged.group_by(["van", "parameter"], maintain_order=True).agg(
        pl.col("cohort_id", "make", "model", "engine", "model_year", "unit", "resolution").first(),
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
    return cells.filter(pl.col("is_still") & (pl.col("q") <= settings.tiers.finding_q)).to_dicts()


def collect(engine: Engine, settings: Settings, found: Sequence[Finding]) -> list[Finding]:
    """Return the findings with frozen readings among them; what else the same reading showed is told with it."""
    return frozen.absorb(found, [frozen.find(row) for row in read_still(engine, settings)])
