"""Borrowed variance against Smyth's model, known trigamma values and a second implementation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special
from statsmodels.stats.meta_analysis import combine_effects

from pipeline.compare.moderation import (
    excess_to_d0,
    fit_prior,
    inverse_trigamma,
    log_chi_square_moments,
    moderate,
)

Floats = NDArray[np.float64]

# BCG vaccine trials (Colditz 1994; data set dat.bcg of metafor): log risk ratios and their variances
BCG_Y = np.array(
    [-.8893, -1.5854, -1.3481, -1.4416, -.2175, -.7861, -1.6209, .012, -.4694, -1.3713, -.3394, .4459, -.0173]
)  # fmt: skip
BCG_V = np.array(
    [.3256, .1946, .4154, .02, .0512, .0069, .223, .004, .0564, .073, .0124, .5325, .0714]
)  # fmt: skip


def draw_variances(
    rng: np.random.Generator, groups: int, df: Floats | float, d0: float, s02: float
) -> Floats:
    return s02 * d0 / rng.chisquare(d0, groups) * rng.chisquare(df, groups) / df


def test_recovers_smyths_prior() -> None:
    # Smyth 2004: s2 ~ s02 F(d, d0). Seed, figures and tolerance of an independent computation with scipy:
    # 20,000 groups, d = 3, d0 = 6, s02 = 2 gave 6.03 +- 0.5 and 2.02 +- 0.05
    rng = np.random.default_rng(7)
    s2 = draw_variances(rng, 20_000, 3.0, 6.0, 2.0)
    prior = fit_prior(s2, np.zeros(20_000, dtype=np.int64), 1, *log_chi_square_moments(np.full(20_000, 3.0)))
    assert prior.d0 == pytest.approx(6, abs=0.5)
    assert prior.s02[0] == pytest.approx(2, abs=0.05)


def test_cohorts_of_one_size_give_smyths_closed_form() -> None:
    rng = np.random.default_rng(11)
    s2, measure = draw_variances(rng, 60, 7.0, 5.0, 3.0), np.repeat(np.arange(5), 12)
    prior = fit_prior(s2, measure, 5, *log_chi_square_moments(np.full(60, 7.0)))
    e = np.log(s2) - special.digamma(3.5) + np.log(3.5)
    mean = e.reshape(5, 12).mean(axis=1)
    square = ((e.reshape(5, 12) - mean[:, None]) ** 2).sum() / (5 * 11) - special.polygamma(1, 3.5)
    d0 = 2 * inverse_trigamma(np.array([square]))[0]
    assert prior.d0 == pytest.approx(d0, rel=1e-6)
    np.testing.assert_allclose(prior.s02, np.exp(mean + special.digamma(d0 / 2) - np.log(d0 / 2)), rtol=1e-6)


def test_mixed_sizes_are_weighted_like_a_second_implementation() -> None:
    # the excess variance is the random-effects variance of Paule and Mandel 1982, which statsmodels calls "iterated"
    prior = fit_prior(np.exp(BCG_Y), np.zeros(13, dtype=np.int64), 1, np.zeros(13), BCG_V)
    other = combine_effects(BCG_Y, BCG_V, method_re="iterated", atol=1e-12)
    assert prior.excess == pytest.approx(float(other.tau2), rel=1e-5)
    offset = special.digamma(prior.d0 / 2) - np.log(prior.d0 / 2)
    assert np.log(prior.s02[0]) - offset == pytest.approx(float(other.mean_effect_re), rel=1e-5)


def test_mixed_sizes_recover_the_prior() -> None:
    rng = np.random.default_rng(4)
    df = rng.integers(3, 24, 30_000).astype(float)
    s2 = draw_variances(rng, 30_000, df, 8.0, 0.5)
    prior = fit_prior(s2, np.zeros(30_000, dtype=np.int64), 1, *log_chi_square_moments(df))
    assert prior.d0 == pytest.approx(8, rel=0.06)
    assert prior.s02[0] == pytest.approx(0.5, rel=0.02)


def test_equal_variances_are_pooled_wholly() -> None:
    s2 = np.full(12, 4.0)
    prior = fit_prior(s2, np.repeat(np.arange(3), 4), 3, *log_chi_square_moments(np.full(12, 6.0)))
    assert np.isinf(prior.d0)
    np.testing.assert_allclose(prior.s02, 4.0 / np.exp(special.digamma(3) - np.log(3)))
    assert moderate(np.array([9.0]), np.array([6.0]), prior.s02[:1], np.array([np.inf]))[0] == prior.s02[0]


def test_measures_of_fewer_than_three_cohorts_are_left_alone() -> None:
    rng = np.random.default_rng(2)
    measure = np.array([0] * 8 + [1] * 2)
    moments = log_chi_square_moments(np.full(10, 5.0))
    s2 = draw_variances(rng, 10, 5.0, 6.0, 1.0)
    prior = fit_prior(s2, measure, 3, *moments)
    assert prior.is_pooled.tolist() == [True, False, False]
    alone = fit_prior(s2[:8], measure[:8], 1, moments[0][:8], moments[1][:8])
    assert prior.d0 == alone.d0
    assert fit_prior(s2[8:], measure[8:], 3, moments[0][8:], moments[1][8:]).d0 == 0.0


def test_a_variance_of_zero_says_nothing() -> None:
    s2 = np.array([0.0, 1.0, 2.0, 0.5])
    moments = log_chi_square_moments(np.full(4, 6.0))
    prior = fit_prior(s2, np.zeros(4, dtype=np.int64), 1, *moments)
    without = fit_prior(s2[1:], np.zeros(3, dtype=np.int64), 1, moments[0][1:], moments[1][1:])
    assert (prior.d0, prior.s02[0]) == (without.d0, without.s02[0])


def test_trigamma_is_inverted() -> None:
    # trigamma(1) = pi^2/6, trigamma(1/2) = pi^2/2 (Abramowitz and Stegun 6.4.2, 6.4.4; from memory)
    known = inverse_trigamma(np.array([np.pi**2 / 6, np.pi**2 / 2]))
    np.testing.assert_allclose(known, [1.0, 0.5], rtol=1e-7)
    x = np.geomspace(1e-3, 1e5, 60)
    np.testing.assert_allclose(inverse_trigamma(special.polygamma(1, x)), x, rtol=1e-6)
    assert excess_to_d0(0.0) == np.inf


def test_moderated_variance_is_the_weighted_mean() -> None:
    got = moderate(np.array([4.0, 4.0]), np.array([3.0, 3.0]), np.array([1.0, np.nan]), np.array([6.0, 0.0]))
    np.testing.assert_allclose(got, [(6 * 1 + 3 * 4) / 9, 4.0])
