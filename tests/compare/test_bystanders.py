"""A sick van must not make its healthy siblings look odd on the other side."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.compare.score import Cells, NullTables, Rules, Scores, score_cells

# Rest voltage of five siblings, change in volts; the second fell by half a volt, and pass 1, which needs more than
# four others to be sure, leaves it in the reference of the rest. Healthy cohorts of this and nine other measures say
# how much healthy vans scatter.
COHORT = np.array([0.022, -0.558, 0.011, -0.029, -0.057])
MEASURES, COHORTS = 10, 12


def score(values: NDArray[np.float64]) -> Scores:
    """Score a fleet whose first cells are those given; the cohort is cut to their number."""
    rng = np.random.default_rng(8)
    y = rng.standard_normal((MEASURES, COHORTS, len(values)))
    y *= 0.02 / y.std(axis=2, ddof=1, keepdims=True)  # as alike as can be: variance is borrowed in full
    y[0, 0] = values
    measure = np.repeat(np.arange(MEASURES), COHORTS * len(values))
    group = np.repeat(np.arange(MEASURES * COHORTS), len(values))
    nan = np.full(MEASURES, np.nan)
    cells = Cells(measure, group, y.ravel(), np.full(y.size, 3.0), np.full(MEASURES, 0.0003), nan, nan)
    return score_cells(cells, NullTables.load(), Rules())


def test_the_sick_van_is_named_and_its_siblings_are_not() -> None:
    tiers = score(COHORT).tier_names[:5]
    assert tiers[1] == "finding"
    assert not np.isin(tiers[[0, 2, 3, 4]], ["finding", "likely"]).any()


def test_without_the_second_look_a_sibling_would_be_accused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.compare.score.MOST_LEFT_OUT", 0)
    tiers = score(COHORT).tier_names[:5]
    assert np.isin(tiers[[0, 2, 3, 4]], ["finding", "likely"]).any()


def test_a_second_sick_van_keeps_its_name() -> None:
    tiers = score(np.array([0.02, -0.56, 0.01, -0.03, -0.05, 0.0, 0.02, -0.6])).tier_names[:8]
    assert (tiers == "finding").tolist() == [False, True, *[False] * 5, True]


def test_it_names_nobody_and_moves_nothing_where_nobody_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.benchmarks.healthy_fleets import MIXED, Setting, score_fleet, simulate_fleet

    cells, _ = simulate_fleet(np.random.default_rng([5, 3]), Setting(MIXED), faults=6, sigma=8.0)
    with_it = score_fleet(cells)
    monkeypatch.setattr("pipeline.compare.score.MOST_LEFT_OUT", 0)
    without = score_fleet(cells)
    assert np.nan_to_num(with_it.p - without.p).min() >= -1e-12
    assert ((with_it.tier == 0) <= (without.tier == 0)).all()
