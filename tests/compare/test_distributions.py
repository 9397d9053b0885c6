"""Tails and quantiles against scipy.stats, whose import they save; odd arguments included."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from pipeline.compare import distributions as own

DF = np.array([0.5, 1.0, 2.0, 5.5, 30.0, 1e3, 1e8, np.inf])[:, None]
T = np.array([-40.0, -3.0, -1.0, 0.0, 1e-9, 1.0, 2.5, 9.0, 200.0, np.inf, np.nan])[None]
P = np.array([0.0, 1e-12, 0.025, 0.5, 0.9, 0.975, 1.0, np.nan])[None]


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (own.z_tail(T), stats.norm.sf(T)),
        (own.z_quantile(P), stats.norm.ppf(P)),
        (own.z_upper(P), stats.norm.isf(P)),
        (own.t_tail(T, DF), stats.t.sf(T, DF)),
        (own.t_quantile(P[:, 1:-2], DF), stats.t.ppf(P[:, 1:-2], DF)),
        (own.chi2_tail(np.abs(T), DF[:-1]), stats.chi2.sf(np.abs(T), DF[:-1])),
        (own.chi2_quantile(P, DF[:-1]), stats.chi2.ppf(P, DF[:-1])),
        (own.chi2_upper(P, DF[:-1]), stats.chi2.isf(P, DF[:-1])),
    ],
    ids=[
        "z_tail",
        "z_quantile",
        "z_upper",
        "t_tail",
        "t_quantile",
        "chi2_tail",
        "chi2_quantile",
        "chi2_upper",
    ],
)
def test_tails_and_quantiles_are_those_of_scipy_stats(ours: np.ndarray, theirs: np.ndarray) -> None:
    np.testing.assert_allclose(ours, theirs, rtol=1e-12, atol=0)


@pytest.mark.parametrize("shift", [0.0, 0.3, 1.0, 8.0])
def test_both_tails_of_a_shifted_t_are_those_of_scipy_stats(shift: float) -> None:
    t, df = np.array([0.0, 0.5, 2.0, 12.0])[None], np.array([1.0, 2.0, 30.0, 200.0])[:, None]
    np.testing.assert_allclose(own.shifted_t_tail(t, df, shift), stats.nct.sf(t, df, shift), rtol=1e-12)
    np.testing.assert_allclose(own.shifted_t_tail(t, df, -shift), stats.nct.cdf(-t, df, shift), rtol=1e-9)


@given(st.integers(1, 30), st.integers(0, 30), st.data())
def test_the_chance_of_a_fourfold_table_is_that_of_scipy_stats(
    marked: int, plain: int, data: st.DataObject
) -> None:
    draws = data.draw(st.integers(0, marked + plain))
    k = np.arange(max(0, draws - plain), min(marked, draws) + 1)
    theirs = stats.hypergeom.logpmf(k, marked + plain, marked, draws)
    np.testing.assert_allclose(
        own.log_hypergeometric(k, marked + plain, marked, draws), theirs, rtol=1e-12, atol=1e-12
    )


@given(arrays(np.float64, st.integers(1, 40), elements=st.sampled_from([-2.5, 0.0, 1.0, 1.5, 7.0, np.inf])))
def test_equal_values_share_their_rank_as_in_scipy_stats(values: np.ndarray) -> None:
    np.testing.assert_array_equal(own.average_ranks(values), stats.rankdata(values))
