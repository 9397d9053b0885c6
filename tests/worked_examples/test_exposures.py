"""Published examples of rank tests, run through the project's own comparison of exposure levels."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import stats

from pipeline.compare.agreement import compare_pairs
from pipeline.compare.level_shifts import compare_levels

Example = Callable[[str], dict[str, Any]]


def test_permeability(example: Example) -> None:
    # Hollander and Wolfe 1973, Nonparametric Statistical Methods, page 69; as in R's wilcox.test
    case = example("hodges_lehmann_hw")
    term, early = case["inputs"]["x"], case["inputs"]["y"]
    is_term = [True] * len(term) + [False] * len(early)
    nothing = np.zeros(len(is_term), int)
    found = compare_levels(term + early, nothing, is_term, nothing)
    assert found.is_exact[0]
    assert found.p[0] == pytest.approx(case["expected"]["p_two_sided"], abs=5e-5)
    assert found.shift[0] == pytest.approx(case["expected"]["HL"], abs=1e-9)
    assert (found.low[0], found.high[0]) == pytest.approx(tuple(case["expected"]["ci95"]))
    assert found.p[0] == pytest.approx(stats.mannwhitneyu(term, early, method="exact").pvalue)


def test_depression_scale(example: Example) -> None:
    # Hollander and Wolfe 1973, page 29; nine patients before and after
    case = example("signed_rank_hw")
    before, after = case["inputs"]["before"], case["inputs"]["after"]
    pairs, cell = np.subtract(before, after), np.zeros(len(before), int)
    found = compare_levels([], [], [], [], pair_difference=pairs, pair_cell=cell, n_cells=1)
    assert found.n_pairs[0] == len(before)
    assert found.p[0] == pytest.approx(2 * case["expected"]["p_greater"])
    assert found.shift[0] == pytest.approx(case["expected"]["HL"], abs=1e-9)
    assert found.p[0] == pytest.approx(stats.wilcoxon(before, after, method="exact").pvalue)


def test_two_strata(example: Example) -> None:
    # van Elteren 1960, weights 1 / (n + 1); numbers made by hand
    case = example("van_elteren_toy")
    value, stratum, exposed = [], [], []
    for number, part in enumerate(case["inputs"]["strata"]):
        for is_exposed, key in ((True, "exposed"), (False, "other")):
            value += part[key]
            stratum += [number] * len(part[key])
            exposed += [is_exposed] * len(part[key])
    found = compare_levels(value, stratum, exposed, np.zeros(len(value), int))
    assert found.z[0] == pytest.approx(case["expected"]["z"], abs=5e-7)
    assert 2 * stats.norm.sf(found.z[0]) == pytest.approx(case["expected"]["p"], abs=5e-7)
    assert (found.n_strata[0], found.n_exposed[0], found.n_other[0]) == (2, 5, 7)


def test_two_drugs_on_the_same_patients(example: Example) -> None:
    """Seen both ways the difference is clear; with the pairs ignored it is not (Student 1908)."""
    case = example("sleep_student")
    first, second = case["inputs"]["first"], case["inputs"]["second"]
    n, wanted = len(first), case["expected"]
    paired = compare_pairs(first, second, np.arange(n), np.zeros(n, int))
    assert paired.bias[0] == pytest.approx(wanted["bias"])
    assert (paired.bias_low[0], paired.bias_high[0]) == pytest.approx(
        (wanted["low"], wanted["high"]), abs=5e-8
    )
    assert paired.p[0] == pytest.approx(wanted["p_paired"], abs=5e-7)
    assert stats.ttest_ind(first, second, equal_var=False).pvalue == pytest.approx(
        wanted["p_unpaired"], abs=5e-6
    )
    nothing = np.zeros(2 * n, int)
    apart = compare_levels(first + second, nothing, [True] * n + [False] * n, nothing)
    both = compare_levels(
        [], [], [], [], pair_difference=np.subtract(first, second), pair_cell=np.zeros(n, int), n_cells=1
    )
    assert both.p[0] < 0.01 < 0.05 < apart.p[0]
