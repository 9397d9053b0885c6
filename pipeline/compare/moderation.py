"""Borrowing variance between cohorts: a few siblings say little about how much healthy vans differ.

Moderated variance (Smyth 2004, Statistical Applications in Genetics and Molecular Biology 3(1):3): the variance of a
cohort is pulled towards the typical one of its measure, as if that came from d0 further vans.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Prior:
    """What the cohorts together say about the variance of one.

    Attributes
    ----------
    d0
        Degrees of freedom the prior is worth, shared by all measures; 0 = cohorts say nothing about one
        another, inf = they all have the same variance.
    s02
        Typical variance of each measure (its unit squared), shape (measures,). Where the measure is not pooled it is
        the geometric mean of its cohorts, for orientation; nan without any.
    is_pooled
        Measures with enough cohorts to pool, shape (measures,).
    excess
        Estimated variance of the logarithm of the cohorts' true variances, trigamma(d0 / 2); 0 for d0 = inf.
    information
        What the cohorts of a measure say about log s02: 1 / variance of its estimate, shape (measures,).
    """

    d0: float
    s02: Floats
    is_pooled: Bools
    excess: float
    information: Floats


def inverse_trigamma(values: Floats) -> Floats:
    """Solve trigamma(x) = value for x > 0 by Newton's method on 1 / trigamma.

    Parameters
    ----------
    values
        Positive numbers. Very small ones give about 1 / value, very large ones about 1 / sqrt(value).

    Returns
    -------
    x, same shape, to about 1e-8 relative; source: Smyth 2004, appendix.
    """
    values = np.asarray(values, dtype=np.float64)
    inside = np.clip(values, 1e-6, 1e7)
    x = 0.5 + 1.0 / inside
    for _ in range(50):
        trigamma = special.polygamma(1, x)
        step = trigamma * (1 - trigamma / inside) / special.polygamma(2, x)
        x = x + step
        if np.max(-step / x, initial=0.0) < 1e-9:
            break
    x = np.where(values > 1e7, 1 / np.sqrt(values), x)
    return cast(Floats, np.where(values < 1e-6, 1 / values, x))


def log_chi_square_moments(df: Floats) -> tuple[Floats, Floats]:
    """Return mean and variance of log(chi2_df / df): digamma(df/2) - log(df/2) and trigamma(df/2)."""
    half = np.asarray(df, dtype=np.float64) / 2
    return special.digamma(half) - np.log(half), special.polygamma(1, half)


def fit_prior(
    s2: Floats,
    measure: Ints,
    measures: int,
    log_mean: Floats,
    log_variance: Floats,
    min_cohorts: int = 3,
    lowest: float = np.inf,
) -> Prior:
    """Estimate d0 and s02 from the moments of the logarithm of the cohorts' variances.

    e = log s2 - log_mean has the mean log s02 - digamma(d0/2) + log(d0/2) per measure and the variance
    log_variance + x, x = trigamma(d0/2) being shared. x is where the squares of e about the weighted means, weights
    1 / (log_variance + x), add up to their degrees of freedom. With cohorts of one size that is Smyth's
    x = mean square - trigamma(df/2); with mixed sizes it keeps the noisy logarithms of small cohorts from
    speaking as loudly as those of large ones (moment estimator of Paule and Mandel 1982).

    Parameters
    ----------
    s2, measure
        One entry per cohort x measure, shape (k,): variance between vans, and the measure's number.
        Entries with s2 = 0 say nothing about a logarithm and are left out.
    measures
        Number of measures; the arrays of the result have this length.
    log_mean, log_variance
        Mean and variance of log(s2 / sigma2) by sampling alone, shape (k,): `log_chi_square_moments` for plain
        variances; for variances of unmarked vans what simulation gives (`score_passes.trimmed_log_moments`).
    min_cohorts
        A measure is pooled only where at least so many cohorts share it.
    lowest
        e is drawn up to at most so many standard deviations below its mean (winsorised, as Phipson and others 2016,
        Annals of Applied Statistics 10:946, do): four vans that agree by chance have a logarithm far below all
        others and would alone decide d0. The moments given must be those of the winsorised logarithm.
    """
    usable = s2 > 0
    measure, log_variance = measure[usable], log_variance[usable]
    e = np.log(s2[usable]) - log_mean[usable]
    cohorts = np.bincount(measure, minlength=measures)
    is_pooled = cohorts >= min_cohorts
    used = is_pooled[measure]
    excess = _fit_excess(e[used], log_variance[used], measure[used], lowest) if used.any() else 0.0
    _, mean, information = average_logs(e, log_variance + excess, measure, measures, lowest)
    d0 = excess_to_d0(excess) if used.any() else 0.0
    offset = float(log_chi_square_moments(np.array(d0))[0]) if 0 < d0 < np.inf else 0.0
    return Prior(d0, np.exp(mean + np.where(is_pooled, offset, 0.0)), is_pooled, excess, information)


def average_logs(
    e: Floats, variance: Floats, measure: Ints, measures: int, lowest: float = np.inf
) -> tuple[Floats, Floats, Floats]:
    """Return e winsorised from below, its mean per measure weighted by 1 / variance, and the sums of the weights.

    Parameters
    ----------
    e, variance, measure
        Logarithms, their variances and their measures, shape (k,).
    measures
        Number of measures; the second and third result have this length.
    lowest
        Standard deviations below the mean at which e is cut off; inf = nowhere.
    """
    information = np.bincount(measure, weights=1 / variance, minlength=measures).astype(np.float64)
    kept = e
    for _ in range(1 if np.isinf(lowest) else 4):
        total = np.bincount(measure, weights=kept / variance, minlength=measures)
        with np.errstate(invalid="ignore"):
            mean = total / information
        kept = np.maximum(e, mean[measure] - lowest * np.sqrt(variance))
    return kept, mean, information


def _fit_excess(e: Floats, log_variance: Floats, measure: Ints, lowest: float) -> float:
    """Return the x >= 0 at which the weighted squares of e equal their degrees of freedom."""
    _, own = np.unique(measure, return_inverse=True)
    measures = int(own.max()) + 1
    freedom = len(e) - measures

    def surplus(excess: float) -> float:
        kept, mean, _ = average_logs(e, log_variance + excess, own, measures, lowest)
        return float(np.sum((kept - mean[own]) ** 2 / (log_variance + excess))) - freedom

    if surplus(0.0) <= 0:
        return 0.0
    low, high = 0.0, float(np.sum((e - e.mean()) ** 2)) + 1.0
    for _ in range(60):  # halves down to the precision of a double
        middle = (low + high) / 2
        low, high = (middle, high) if surplus(middle) > 0 else (low, middle)
    return (low + high) / 2


def excess_to_d0(excess: float) -> float:
    """Return the d0 whose trigamma(d0 / 2) is the excess variance; inf for none."""
    return 2 * float(inverse_trigamma(np.array([excess]))[0]) if excess > 0 else np.inf


def moderate(s2: Floats, df: Floats, s02: Floats, d0: Floats) -> Floats:
    """Return the moderated variance (d0 s02 + df s2) / (d0 + df).

    Parameters
    ----------
    s2, df
        Variance of a group and its degrees of freedom.
    s02, d0
        Prior variance and the degrees of freedom it is worth (0: s2 is returned; inf: s02).
    """
    weight = np.where(np.isfinite(d0), d0, 0.0)
    prior = np.where(weight > 0, s02, 0.0)
    moderated = (weight * prior + df * s2) / np.maximum(weight + df, 1.0)
    return cast(Floats, np.where(np.isinf(d0), s02, moderated))
