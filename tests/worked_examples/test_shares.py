"""Shares of vans: Wilson's interval as printed by others."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from scipy import stats

from pipeline.compare.intervals import wilson

Example = Callable[[str], dict[str, Any]]


def test_newcombes_table(example: Example) -> None:
    # Newcombe 1998, Statistics in Medicine 17:857-872, Table I, method 3, printed to four digits
    case = example("wilson_newcombe")
    hits, size = np.array(case["inputs"]["cases"]).T
    low, high = wilson(hits, size, 0.95)
    expected = np.array(case["expected"]["ci95"])
    assert np.allclose(low, expected[:, 0], atol=5e-5)
    assert np.allclose(high, expected[:, 1], atol=5e-5)


def test_very_few_vans(example: Example) -> None:
    # five stated results for (successes, failures) at z = 1.96 exactly
    case = example("wilson_smalln")
    hits, misses = np.array(case["inputs"]["cases"]).T
    confidence = 2 * stats.norm.cdf(case["inputs"]["z"]) - 1
    low, high = wilson(hits, hits + misses, float(confidence))
    expected = np.array(case["expected"]["ci"])
    assert np.allclose(low, expected[:, 0], atol=1e-9)
    assert np.allclose(high, expected[:, 1], atol=1e-9)
