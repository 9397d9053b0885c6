"""Intervals against statsmodels and scipy. Newcombe's published table is in tests/worked_examples."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from pipeline.compare.intervals import mean_difference, wilson

Floats = NDArray[np.float64]


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_wilson_equals_statsmodels(confidence: float) -> None:
    n = np.repeat(np.arange(1, 31), 31)
    k = np.minimum(np.tile(np.arange(31), 30), n)
    low, high = wilson(k, n, confidence)
    expected = proportion_confint(k, n, alpha=1 - confidence, method="wilson")
    assert np.allclose(low, expected[0], atol=1e-12)
    assert np.allclose(high, expected[1], atol=1e-12)


def test_wilson_broadcasts_and_knows_nothing_of_no_vans() -> None:
    low, high = wilson([0, 3, 5], 5)
    assert low.shape == (3,)
    assert low[0] == 0.0
    assert high[2] == 1.0
    low, high = wilson(0, 0)
    assert (float(low), float(high)) == (0.0, 1.0)


@pytest.mark.parametrize(("k", "n"), [(-1, 4), (5, 4), (0, -1), (np.nan, 4)])
def test_wilson_refuses_impossible_counts(k: float, n: float) -> None:
    with pytest.raises(ValueError, match="count"):
        wilson(k, n)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0])
def test_confidence_is_a_share(confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        wilson(1, 2, confidence)
    with pytest.raises(ValueError, match="confidence"):
        mean_difference(0, 1, 3, 0, 1, 3, confidence)


def _summaries(samples: list[Floats]) -> tuple[Floats, Floats, Floats]:
    return (
        np.array([x.mean() for x in samples]),
        np.array([x.var(ddof=1) for x in samples]),
        np.array([float(len(x)) for x in samples]),
    )


def test_mean_difference_equals_scipys_welch_interval() -> None:
    rng = np.random.default_rng(2)
    a = [rng.normal(10, 1, n) for n in (2, 5, 9, 30)]
    b = [rng.normal(9, 3, n) for n in (4, 2, 12, 7)]
    mean_a, variance_a, n_a = _summaries(a)
    mean_b, variance_b, n_b = _summaries(b)
    found = mean_difference(mean_a, variance_a, n_a, mean_b, variance_b, n_b, confidence=0.9)
    for i, (x, y) in enumerate(zip(a, b, strict=True)):
        interval = stats.ttest_ind(x, y, equal_var=False).confidence_interval(0.9)
        assert found[0][i] == pytest.approx(x.mean() - y.mean())
        assert (found[1][i], found[2][i]) == pytest.approx((interval.low, interval.high))


def test_mean_difference_of_one_van_has_no_interval() -> None:
    difference, low, high = mean_difference(5.0, 0.0, 1, 3.0, 1.0, 6)
    assert float(difference) == 2.0
    assert np.isnan(low)
    assert np.isnan(high)


def test_mean_difference_without_spread_is_exact() -> None:
    assert [float(x) for x in mean_difference(5.0, 0.0, 4, 3.0, 0.0, 4)] == [2.0, 2.0, 2.0]
