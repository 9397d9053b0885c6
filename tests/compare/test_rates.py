"""Rates per distance against published figures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.compare.rates import LEAST_COSTS, cost_interval, poisson_interval


@pytest.mark.parametrize(
    ("events", "low", "high"),
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)],
)
def test_exact_poisson_limits(events: int, low: float, high: float) -> None:
    """95 % limits of a Poisson count as tabulated since Garwood 1936 (Pearson and Hartley, Biometrika Tables 40)."""
    found = poisson_interval(events, 1.0)
    assert (float(found[0]), float(found[1])) == pytest.approx((low, high), abs=1e-3)


def test_the_limits_are_those_of_the_distribution() -> None:
    """Second implementation: each limit leaves 2.5 % in the tail of scipy's Poisson distribution."""
    low, high = poisson_interval(np.array([3, 7]), np.array([2.0, 5.0]))
    for k, span, a, b in zip((3, 7), (2.0, 5.0), low, high, strict=True):
        assert stats.poisson.sf(k - 1, a * span) == pytest.approx(0.025)
        assert stats.poisson.cdf(k, b * span) == pytest.approx(0.025)


def test_wrong_counts_are_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        poisson_interval(1, 0.0)


def test_a_cost_interval_needs_entries_and_covers_about_as_often_as_it_says() -> None:
    assert cost_interval([100.0] * (LEAST_COSTS - 1), 2.0) is None
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(200):
        costs = rng.gamma(2.0, 150.0, rng.poisson(20))
        found = cost_interval(costs, 4.0)
        assert found is not None
        hits += found[0] <= 20 * 300.0 / 4.0 <= found[1]
    assert 0.88 <= hits / 200 <= 0.99  # percentile intervals of few entries are a little narrow
