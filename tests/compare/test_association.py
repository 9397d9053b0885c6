"""A rank correlation within groups, against scipy and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.compare.association import rank_correlation_within


def test_one_group_is_spearman_with_fishers_interval() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(size=30)
    y = x + rng.normal(size=30)
    found = rank_correlation_within(x, y, np.zeros(30, dtype=np.int64))
    assert found.r == pytest.approx(stats.spearmanr(x, y).statistic)
    reach = 1.959964 * np.sqrt(1.06 / 27)
    assert (found.low, found.high) == pytest.approx(
        (np.tanh(np.arctanh(found.r) - reach), np.tanh(np.arctanh(found.r) + reach)), rel=1e-6
    )


def test_what_differs_between_groups_counts_for_nothing() -> None:
    """Within both groups y falls with x; taken together it rises."""
    x, y = np.array([1.0, 2, 3, 4, 11, 12, 13, 14]), np.array([4.0, 3, 2, 1, 24, 23, 22, 21])
    assert stats.spearmanr(x, y).statistic > 0
    found = rank_correlation_within(x, y, np.repeat([0, 1], 4))
    assert found.r == pytest.approx(-1)
    assert (found.n, found.n_groups) == (8, 2)


def test_too_little_says_nothing() -> None:
    found = rank_correlation_within(np.arange(4.0), np.arange(4.0), np.array([0, 0, 1, 1]))
    assert np.isnan(found.r)
    assert (found.n, found.n_groups) == (0, 0)
    level = rank_correlation_within(np.ones(9), np.arange(9.0), np.zeros(9, dtype=np.int64))
    assert np.isnan(level.r)


def test_the_interval_holds_nothing_about_as_often_as_it_says() -> None:
    rng = np.random.default_rng(2)
    group = np.repeat(np.arange(6), 5)
    missed = 0
    for _ in range(400):
        found = rank_correlation_within(rng.normal(size=30), rng.normal(size=30), group)
        missed += found.low > 0 or found.high < 0
    assert 0.02 <= missed / 400 <= 0.09
