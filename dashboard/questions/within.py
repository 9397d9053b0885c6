"""Siblings within the filter: one reading compared anew among the shown vans, readers and days alone.

A look, never a finding: nothing is paid for the many comparisons a person can make by moving the filters, season
and reader are not taken off, and the verdicts are therefore no more than within, borderline or not judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import polars as pl

from dashboard.questions import fleet, siblings
from dashboard.questions.filters import Filters
from dashboard.questions.warehouse import Warehouse
from pipeline.compare.nulls import NullTables
from pipeline.compare.score import Cells, Rules, pooled_within_variance, score_cells

LABEL = (
    "Compared within the filter: siblings are the shown vans of the same group alone, by the chosen readers and days."
    " Season and reader are not taken off, and nothing is paid for looking often: no finding comes of this."
)
_NUMBERS = ("expected", "difference", "interval_low", "interval_high", "detectable", "sibling_median",
            "sibling_low", "sibling_high")  # fmt: skip


@dataclass(frozen=True)
class Compared:
    """One reading across the shown vans, ready to be drawn; screen and files draw the same one.

    Parameters
    ----------
    cells : polars.DataFrame
        One row per shown van with this reading.
    ranges : polars.DataFrame
        One row per group: where a healthy sibling would fall.
    is_within : bool
        Whether siblings are the shown vans alone.
    """

    cells: pl.DataFrame
    ranges: pl.DataFrame
    is_within: bool

    @property
    def label(self) -> str:
        """What has to be said of a comparison within the filter; empty otherwise."""
        return LABEL if self.is_within else ""


def compare(
    warehouse: Warehouse,
    asked: tuple[str, str, str],
    vans: Sequence[str],
    filters: Filters,
    unit: str,
    rules: Rules,
) -> Compared:
    """Compare one reading with all siblings or, where the filters ask for it, among the shown vans alone.

    Parameters
    ----------
    asked : tuple of str
        Parameter, state and channel. Only a level can be compared within the filter: the other channels need all
        scans of a van.
    vans : sequence of str
        The shown vans.
    unit : str
        Of the reading.
    rules : Rules
        The evidence floor of a comparison within the filter.
    """
    parameter, state, channel = asked
    # A van whose readers do not decode the reading is not compared in it, whatever value they show.
    undecoded = siblings.list_unseen_cells(warehouse, *asked, vans).select("van")
    if not filters.is_within or channel != "level":
        cells = siblings.list_sibling_cells(warehouse, *asked, vans)
        cells = cells.join(undecoded, on="van", how="anti", maintain_order="left")
        return Compared(cells, siblings.list_cohort_ranges(warehouse, *asked), is_within=False)
    levels = list_within_levels(warehouse, parameter, state, vans, filters)
    if levels.is_empty():
        return Compared(levels, levels, is_within=True)
    known = fleet.list_readings(warehouse).filter(
        (pl.col("parameter") == parameter) & (pl.col("state") == state)
    )
    cells = score_within(levels, unit, known["resolution"].head(1).to_list()[0], rules)
    cells = cells.join(undecoded, on="van", how="anti", maintain_order="left")
    return Compared(cells, ranges_of(cells), is_within=True)


@cache
def _nulls() -> NullTables:
    return NullTables.load()


def list_within_levels(
    warehouse: Warehouse, parameter: str, state: str, vans: Sequence[str], filters: Filters
) -> pl.DataFrame:
    """One row per shown van: the mean of its chosen scans of this reading, their variance and number."""
    chosen = filters.parameters()
    asked = {name: chosen[name] for name in ("readers", "date_from", "date_to")}
    return warehouse.ask("list_within_levels", parameter=parameter, state=state, vans=list(vans), **asked)


def score_within(levels: pl.DataFrame, unit: str, resolution: float | None, rules: Rules) -> pl.DataFrame:
    """Score each van against the others of its group among these rows, itself left out.

    Parameters
    ----------
    levels : polars.DataFrame
        Rows of `list_within_levels`, in the reading's unit.
    unit : str
        That unit.
    resolution : float, optional
        Smallest step of the reading.
    rules : Rules
        The evidence floor; fewer than `min_siblings` siblings give no score.

    Returns
    -------
    polars.DataFrame
        Columns as of `list_sibling_cells`; `verdict` is within, borderline (p at most `rules.watch_p`) or
        not_judged.
    """
    groups = levels["cohort_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
    m = levels["n_scans"].cast(pl.Float64).to_numpy()
    measure = np.zeros(levels.height, dtype=np.int64)
    w2 = pooled_within_variance(levels["s2"].fill_null(np.nan).to_numpy(), m, measure, measures=1)
    step = np.array([np.nan if resolution is None else resolution])
    cells = Cells(measure, groups, levels["value"].to_numpy(), m, w2, step, np.array([np.nan]))
    scores = score_cells(cells, _nulls(), rules)
    verdict = np.where(
        ~scores.is_scored, "not_judged", np.where(scores.p <= rules.watch_p, "borderline", "within")
    )
    return levels.with_columns(
        *(pl.Series(name, getattr(scores, name).astype(np.float64)).fill_nan(None) for name in _NUMBERS),
        pl.Series("n_siblings", scores.n_siblings.astype(np.int64)),
        pl.Series("is_small_group", scores.is_small_group),
        pl.Series("verdict", verdict.astype(str), dtype=pl.String),
        pl.Series("reason", [str(r) or None for r in scores.reason], dtype=pl.String),
        pl.lit(unit).alias("unit"),
        pl.lit(None, pl.Float64).alias("q"),
        pl.lit(False).alias("robust"),
        pl.lit(False).alias("is_fallback"),
        pl.lit(0, pl.Int64).alias("n_scans_earlier"),
        pl.lit("none").alias("tier"),
    ).drop("s2")  # fmt: skip


def ranges_of(cells: pl.DataFrame) -> pl.DataFrame:
    """Return each group's range among scored rows, with columns as of `list_cohort_ranges`."""
    return (
        cells.group_by("cohort_id", maintain_order=True)
        .agg(
            pl.col("cohort").first(),
            pl.len().cast(pl.Int64).alias("n_vans"),
            pl.col("n_scans").sum(),
            *(pl.col(name).median() for name in ("sibling_median", "sibling_low", "sibling_high")),
            pl.lit(False).alias("is_fallback"),
            pl.col("reason").drop_nulls().first(),
        )
        .sort("cohort")
    )
