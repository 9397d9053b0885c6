"""Benjamini-Hochberg against its own paper and against statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats.multitest import multipletests

from pipeline.compare.multiplicity import (
    adjust_by_matter,
    benjamini_hochberg,
    combine_p,
    matter_cutoff,
)

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
    own = np.arange(15)
    assert matter_cutoff(adjust_by_matter(PAPER, own)[1], own, 0.05) == pytest.approx(4 / 15 * 0.05)


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
    p, matter = np.array([0.5, 0.9, 0.7, 0.8, 0.6]), np.array([4, 1, 2, 3, 4])
    found = matter_cutoff(adjust_by_matter(p, matter)[1], matter, 0.05)
    np.testing.assert_allclose(found, [0.05 / 8, 0.05 / 4, 0.05 / 4, 0.05 / 4, 0.05 / 8])
    assert matter_cutoff(np.zeros(0), np.zeros(0, int), 0.05).size == 0
    assert benjamini_hochberg(np.zeros(0)).size == 0


@given(arrays(np.float64, st.integers(1, 40), elements=st.floats(0, 1)))
def test_matters_of_one_comparison_are_plain_benjamini_hochberg(p: NDArray[np.float64]) -> None:
    q, q_matter = adjust_by_matter(p, np.arange(p.size))
    plain = benjamini_hochberg(p)
    for level in (0.01, 0.05, 0.2, 0.5):
        np.testing.assert_array_equal(q <= level, plain <= level)
    np.testing.assert_allclose(q_matter, plain, rtol=1e-9, atol=1e-12)


@given(
    arrays(np.float64, 24, elements=st.floats(1e-9, 1)),
    arrays(np.int64, 24, elements=st.integers(0, 6)),
    st.sampled_from([0.01, 0.05, 0.2, 0.5]),
)
def test_rejects_what_the_published_procedure_rejects(
    p: NDArray[np.float64], matter: NDArray[np.int64], level: float
) -> None:
    # Benjamini and Bogomolov 2014, section 2, step by step for one level: select by Benjamini-Hochberg over
    # the families, then run it within each selected one at level x selected / families; statsmodels does each step.
    # Ours also tells a selected family by its clearest comparison, which that step may leave out.
    names = np.unique(matter)
    combined = combine_p(p, np.searchsorted(names, matter), len(names))
    is_selected = multipletests(combined, level, "fdr_bh")[0]
    wanted = np.zeros(p.size, dtype=bool)
    for name in names[is_selected]:
        inside = matter == name
        wanted[inside] = multipletests(p[inside], level * is_selected.sum() / len(names), "fdr_bh")[0]
        wanted[np.flatnonzero(inside)[np.argmin(p[inside])]] = True
    found = adjust_by_matter(p, matter)[0]
    is_clear = np.abs(found - level) > 1e-9
    np.testing.assert_array_equal((found <= level)[is_clear], wanted[is_clear])


def test_combination_keeps_its_level_whatever_the_dependence() -> None:
    # Liu and Xie 2020: the tail of the mean of Cauchy variables is that of one, dependent or not
    rng = np.random.default_rng(4)
    for share in (0.0, 0.5, 0.95):
        common, own = rng.standard_normal((40_000, 1)), rng.standard_normal((40_000, 3))
        z = np.sqrt(share) * common + np.sqrt(1 - share) * own
        p = combine_p(2 * stats.norm.sf(np.abs(z)).ravel(), np.repeat(np.arange(40_000), 3), 40_000)
        assert 0.004 < np.mean(p <= 0.005) < 0.0065, share


def test_combination_of_one_is_itself_and_follows_the_clearest() -> None:
    p = np.array([1e-200, 1e-9, 0.3, 0.5, 0.999])
    np.testing.assert_allclose(combine_p(p, np.arange(5), 5), p, rtol=1e-6)
    alone = combine_p(np.array([1e-9, 0.4, 0.6]), np.zeros(3, int), 1)
    assert alone == pytest.approx(3e-9, rel=1e-3)
    assert combine_p(np.array([0.02, 0.02, 0.02]), np.zeros(3, int), 1) == pytest.approx(0.02)


def test_not_a_probability_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        benjamini_hochberg(np.array([0.2, 1.2]))
