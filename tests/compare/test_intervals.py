"""Intervals against statsmodels. Newcombe's published table is in tests/worked_examples."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from pipeline.compare.intervals import wilson


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
