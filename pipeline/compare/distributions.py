"""Tails and quantiles of the distributions that intervals and p-values need, from `scipy.special`.

The figures are those of `scipy.stats`, which takes over a second to import, and a command that only draws or lists
something should not wait for it. All functions work element by element on broadcast arrays; nan in, nan out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]


def z_tail(z: ArrayLike) -> FloatArray:
    """Return the probability that a standard normal value exceeds `z`."""
    tail: FloatArray = special.ndtr(np.negative(z))
    return tail


def z_quantile(probability: ArrayLike) -> FloatArray:
    """Return the value below which a standard normal value lies with this probability."""
    point: FloatArray = special.ndtri(probability)
    return point


def z_upper(probability: ArrayLike) -> FloatArray:
    """Return the value that a standard normal value exceeds with this probability."""
    point: FloatArray = -special.ndtri(probability)
    return point


def t_tail(t: ArrayLike, df: ArrayLike) -> FloatArray:
    """Return the probability that a t value on `df` degrees of freedom exceeds `t`."""
    tail: FloatArray = special.stdtr(df, np.negative(t))
    return tail


def t_quantile(probability: ArrayLike, df: ArrayLike) -> FloatArray:
    """Return the value below which a t value on `df` degrees of freedom lies with this probability."""
    point: FloatArray = special.stdtrit(df, probability)
    return point


def shifted_t_tail(t: ArrayLike, df: ArrayLike, shift: ArrayLike) -> FloatArray:
    """Return the probability that a non-central t value exceeds `t`: the lower tail, mirrored, stays exact when small."""
    tail: FloatArray = special.nctdtr(df, np.negative(shift), np.negative(t))
    return tail


def chi2_tail(x: ArrayLike, df: ArrayLike) -> FloatArray:
    """Return the probability that a chi-squared value on `df` degrees of freedom exceeds `x` >= 0."""
    tail: FloatArray = special.chdtrc(df, x)
    return tail


def chi2_quantile(probability: ArrayLike, df: ArrayLike) -> FloatArray:
    """Return the value below which a chi-squared value on `df` > 0 degrees of freedom lies with this probability."""
    point: FloatArray = 2 * special.gammaincinv(np.divide(df, 2), probability)
    return point


def chi2_upper(probability: ArrayLike, df: ArrayLike) -> FloatArray:
    """Return the value that a chi-squared value on `df` > 0 degrees of freedom exceeds with this probability."""
    point: FloatArray = special.chdtri(df, probability)
    return point


def log_hypergeometric(drawn: ArrayLike, total: float, marked: float, draws: float) -> FloatArray:
    """Return the log chance of `drawn` marked ones among `draws` of `total`, each count a possible one.

    Written with beta functions, as scipy writes it, because factorials of large counts cancel badly.
    """
    k, betaln = np.asarray(drawn, dtype=np.float64), special.betaln
    plain = total - marked
    ways = betaln(marked + 1, 1) + betaln(plain + 1, 1) + betaln(total - draws + 1, draws + 1)
    chance: FloatArray = (
        ways
        - betaln(k + 1, marked - k + 1)
        - betaln(draws - k + 1, plain - draws + k + 1)
        - betaln(total + 1, 1)
    )
    return chance


def average_ranks(values: FloatArray) -> FloatArray:
    """Return ranks from 1 (values,), equal values sharing the mean of their places."""
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    ranks: FloatArray = (np.cumsum(count) - (count - 1) / 2)[place]
    return ranks
