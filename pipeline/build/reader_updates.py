"""Computed table `computed.reader_updates`: which readings step at a software update of a reader."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.build.codes import as_frame
from pipeline.compare.multiplicity import benjamini_hochberg
from pipeline.compare.steps import Moved, judge_updates
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

UPDATES = "computed.reader_updates"
PARENTS = ("int_reader_updates", "vocab.parameters", "vocab.settings")
_QUERY = """
select u.*, p.unit
from int_reader_updates as u
inner join vocab.parameters as p on u.parameter = p.parameter
order by u.reader, u.update_number, u.parameter, u.state
"""
TOO_FEW = "fewer than 4 vans read before and after it, by this reader or by others to compare with"
_COLUMNS = (
    "reader", "reader_version", "version_before", "since", "parameter", "state", "unit", "step", "low", "high", "p",
    "q", "shift", "n_vans", "n_vans_other", "reason",
)  # fmt: skip


def _moved(frame: pl.DataFrame, n: str, mean: str) -> Moved:
    return Moved(
        frame[n].to_numpy(),
        frame[mean].cast(pl.Float64).fill_null(np.nan).to_numpy(),
        frame[f"{mean}_variance"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
    )


def write_updates(engine: Engine, settings: Settings) -> None:
    """Judge every update on every reading and write one row for each.

    `shift` is what is taken off the scans with that software before vans are followed through time: the sum of
    the steps shown (q within that of a finding) up to and with this update.
    """
    frame = as_frame(engine.arrow(_QUERY))
    judged = judge_updates(_moved(frame, "n_vans", "moved"), _moved(frame, "n_vans_other", "moved_other"))
    q = benjamini_hochberg(judged.p)
    shown = np.where(q <= settings.tiers.finding_q, judged.step, 0.0)
    made = frame.with_columns(
        **{name: pl.Series(getattr(judged, name)).fill_nan(None) for name in ("step", "low", "high", "p")},
        q=pl.Series(q).fill_nan(None),
        shown=pl.Series(np.nan_to_num(shown)),
        reason=pl.when(pl.Series(np.isnan(judged.p))).then(pl.lit(TOO_FEW)),
    ).with_columns(shift=pl.col("shown").cum_sum().over("reader", "parameter", "state"))
    engine.write(UPDATES, made.select(_COLUMNS).to_arrow())
