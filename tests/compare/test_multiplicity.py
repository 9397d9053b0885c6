"""Benjamini-Hochberg against its own paper and against statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from statsmodels.stats.multitest import multipletests

from pipeline.compare.multiplicity import benjamini_hochberg, rejection_cutoff

# Benjamini and Hochberg 1995, JRSS B 57:289-300, section 4: 15 p-values, 4 rejected at .05 (Bonferroni: 3).
PAPER = np.array(
    [.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1.0]
)  # fmt: skip


def test_paper_rejects_four_of_fifteen() -> None:
    q = benjamini_hochberg(PAPER)
    assert (q <= 0.05).sum() == 4
    assert PAPER[q <= 0.05].max() == 0.0095
    assert (PAPER * 15 <= 0.05).sum() == 3
    # the paper: p(4) = .0095 <= 4/15 x .05 = .013
    assert rejection_cutoff(PAPER, 0.05) == pytest.approx(4 / 15 * 0.05)


@given(arrays(np.float64, st.integers(1, 40), elements=st.floats(0, 1)))
def test_same_as_statsmodels(p: NDArray[np.float64]) -> None:
    np.testing.assert_allclose(benjamini_hochberg(p), multipletests(p, method="fdr_bh")[1], atol=1e-14)


def test_comparisons_not_made_count_for_nothing() -> None:
    with_gaps = np.insert(PAPER, [0, 7, 15], np.nan)
    q = benjamini_hochberg(with_gaps)
    assert np.isnan(q[np.isnan(with_gaps)]).all()
    np.testing.assert_array_equal(q[~np.isnan(with_gaps)], benjamini_hochberg(PAPER))


def test_order_does_not_matter() -> None:
    order = np.random.default_rng(3).permutation(PAPER.size)
    np.testing.assert_array_equal(benjamini_hochberg(PAPER[order]), benjamini_hochberg(PAPER)[order])


def test_cutoff_without_rejection_is_what_one_van_would_need() -> None:
    assert rejection_cutoff(np.array([0.5, 0.9, np.nan, 0.7, 0.8]), 0.05) == pytest.approx(0.05 / 4)
    assert rejection_cutoff(np.array([np.nan]), 0.05) == 0.0
    assert benjamini_hochberg(np.zeros(0)).size == 0


def test_not_a_probability_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        benjamini_hochberg(np.array([0.2, 1.2]))
