"""Five ways to name vans that differ, on the same rows: the shipped score and four that people use instead."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.score import Cells, NullTables, Rules, pooled_within_variance, score_cells
from tests.benchmarks.row_fleets import COHORT_SCATTER, RowFleet

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Named:
    """What one way names in one fleet, shapes (measures, vans).

    Attributes
    ----------
    is_named
        The cells it would show as differing.
    order
        The smaller, the more it differs; for the ten best.
    is_robust
        Named even if healthy vans vary wildly; None where the way knows no such mark.
    """

    is_named: Bools
    order: Floats
    is_robust: Bools | None = None


def _per_van(fleet: RowFleet, values: Floats) -> Floats:
    """Mean over the scans of every van; values and result have shape (measures, scans) and (measures, vans)."""
    starts = np.concatenate([[0], np.cumsum(fleet.scans)[:-1]])
    return np.asarray(np.add.reduceat(values, starts, axis=1) / fleet.scans)


def by_score(fleet: RowFleet) -> Named:
    """The shipped score: median of a scan, mean of a van, two passes, calibrated, Benjamini-Hochberg at 5 %."""
    medians = np.median(fleet.rows, axis=2)
    y = _per_van(fleet, medians)
    m = np.tile(fleet.scans.astype(np.float64), len(y))
    s2 = _per_van(fleet, (medians - y[:, fleet.van]) ** 2) * fleet.scans / np.maximum(fleet.scans - 1, 1)
    measure = np.repeat(np.arange(len(y)), y.shape[1])
    unknown = np.full(len(y), np.nan)
    cells = Cells(
        measure=measure,
        group=measure * (int(fleet.cohort.max()) + 1) + np.tile(fleet.cohort, len(y)),
        y=y.ravel(),
        m=m,
        w2=pooled_within_variance(s2.ravel(), m, measure),
        resolution=unknown,
        smallest_useful=unknown,
    )
    scores = score_cells(cells, NullTables.load(), Rules())
    order = np.where(scores.is_scored, scores.p, 2.0)
    is_finding = (scores.tier == 0).reshape(y.shape)
    return Named(is_finding, order.reshape(y.shape), is_finding & scores.robust.reshape(y.shape))


def by_fixed_limits(fleet: RowFleet) -> Named:
    """Limits that hold for the whole trade: outside its mean +- 3 standard deviations, which are known exactly."""
    distance = np.abs(_per_van(fleet, fleet.rows.mean(axis=2))) / np.sqrt(1 + COHORT_SCATTER**2)
    return Named(distance > 3, -distance)


def by_pooled_rows(fleet: RowFleet) -> Named:
    """Every row counted as evidence of its own: z of a van's mean among all rows of its cohort, bar 3."""
    means = _per_van(fleet, fleet.rows.mean(axis=2))
    z = np.zeros_like(means)
    for cohort in np.unique(fleet.cohort):
        vans = fleet.cohort == cohort
        rows = fleet.rows[:, vans[fleet.van]]
        error = rows.std(axis=(1, 2), ddof=1)[:, None] / np.sqrt(fleet.scans[vans] * fleet.kind.rows)
        z[:, vans] = (means[:, vans] - rows.mean(axis=(1, 2))[:, None]) / error
    return Named(np.abs(z) > 3, -np.abs(z))


def by_modified_z(fleet: RowFleet) -> Named:
    """0.6745 x deviation / MAD of the van means of a cohort, bar 3.5 (Iglewicz and Hoaglin 1993)."""
    means = _per_van(fleet, fleet.rows.mean(axis=2))
    z = np.zeros_like(means)
    for cohort in np.unique(fleet.cohort):
        vans = fleet.cohort == cohort
        away = means[:, vans] - np.median(means[:, vans], axis=1, keepdims=True)
        z[:, vans] = 0.6745 * away / np.maximum(np.median(np.abs(away), axis=1, keepdims=True), 1e-12)
    return Named(np.abs(z) > 3.5, -np.abs(z))


def by_isolation_forest(fleet: RowFleet) -> Named:
    """scikit-learn's IsolationForest, as it comes, on van means less the cohort's median; names a van's widest cell."""
    from sklearn.ensemble import IsolationForest

    means = _per_van(fleet, fleet.rows.mean(axis=2))
    away = np.zeros_like(means)
    for cohort in np.unique(fleet.cohort):
        vans = fleet.cohort == cohort
        away[:, vans] = means[:, vans] - np.median(means[:, vans], axis=1, keepdims=True)
    forest = IsolationForest(random_state=0).fit(away.T)
    is_widest = np.abs(away) == np.abs(away).max(axis=0)
    is_named = is_widest & (forest.predict(away.T) == -1)
    return Named(is_named, np.where(is_widest, forest.score_samples(away.T), np.inf))


WAYS: dict[str, Callable[[RowFleet], Named]] = {
    "Kinbay's score": by_score,
    "fixed limits": by_fixed_limits,
    "pooled-row z": by_pooled_rows,
    "modified z 3.5": by_modified_z,
    "isolation forest": by_isolation_forest,
}
