"""From a score to an honest p-value: what |t| healthy vans reach by chance after the same two passes.

A score is first turned into its surprise u = -ln p at the nominal t law of its own degrees of freedom. A calibration
curve then says how far -ln p really is at that u: eight numbers per cell, the u that healthy vans exceed
with the probabilities `TAIL`, and the slope beyond the last of them. That slope is the Hill estimate of the tail
index of 1/p (the mean excess of u over its top 0.4 %), so the tail is a power law, never an invented edge.
"""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]

TAIL = (0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.004)
"""Tail probabilities at which a curve is known; beyond the last one its Hill slope takes over."""

_LOG_P = np.concatenate(([0.0], -np.log(TAIL)))
_MOST_SURPRISE = 700.0
"""Nearly the largest -ln p a double can hold."""


def measure_surprise(t: Floats, df: Floats) -> Floats:
    """Return u = -ln p, p being the two-sided p-value of t at the t law with df degrees of freedom.

    Parameters
    ----------
    t
        Scores.
    df
        Degrees of freedom, same shape; inf is the normal law.

    Returns
    -------
    u >= 0, cut off at 700, same shape.
    """
    t, df = np.broadcast_arrays(-np.abs(t), df)
    tail = special.stdtr(np.where(np.isinf(df), 1.0, df), t)
    with np.errstate(divide="ignore"):
        log_tail = np.where(np.isinf(df), special.log_ndtr(t), np.log(tail))
    return cast(Floats, np.clip(-np.log(2.0) - log_tail, 0.0, _MOST_SURPRISE))


def invert_surprise(u: Floats | float, df: Floats) -> Floats:
    """Return the |t| whose surprise is u at df degrees of freedom; the inverse of `measure_surprise`."""
    if np.ndim(u) == 0 and np.ndim(df):
        known, at = np.unique(df, return_inverse=True)
        if len(known) < len(at):
            return invert_surprise(u, known)[at]
    u, df = np.broadcast_arrays(np.clip(u, 0.0, _MOST_SURPRISE), df)
    tail = np.exp(-u) / 2
    finite = special.stdtrit(np.where(np.isinf(df), 1.0, df), tail)
    return cast(Floats, -np.where(np.isinf(df), special.ndtri(tail), finite))


def fit_curve(u: Floats) -> Floats:
    """Return the calibration curve of simulated healthy surprises: the quantiles at `TAIL`, then the Hill slope.

    Parameters
    ----------
    u
        Surprises of healthy vans, shape (k,); a few thousand at least.

    Returns
    -------
    Shape (8,). The Hill estimator is that of Hill 1975 (Annals of Statistics 3:1163) on 1/p.
    """
    quantiles = np.quantile(u, 1 - np.array(TAIL))
    beyond = u[u > quantiles[-1]] - quantiles[-1]
    slope = 1.0 / max(float(beyond.mean()), 1e-3) if beyond.size else 1.0
    return np.append(quantiles, slope)


def read_p(u: Floats, curves: Floats) -> Floats:
    """Return the calibrated two-sided p-value of every surprise.

    Parameters
    ----------
    u
        Shape (cells,).
    curves
        Shape (cells, 8), rows as `fit_curve` returns them.

    Returns
    -------
    p in (0, 1], shape (cells,).
    """
    knots = _knots(curves)
    segment = np.clip((u[:, None] >= knots[:, 1:]).sum(axis=1), 0, len(TAIL) - 1)
    row = np.arange(len(u))
    left, right = knots[row, segment], knots[row, segment + 1]
    share = (u - left) / np.maximum(right - left, 1e-12)
    inside = _LOG_P[segment] + np.minimum(share, 1.0) * (_LOG_P[segment + 1] - _LOG_P[segment])
    beyond = np.maximum(u - knots[:, -1], 0.0) * curves[:, -1]
    return cast(Floats, np.exp(-np.minimum(inside + beyond, _MOST_SURPRISE)))


def surprise_at(p: float | Floats, curves: Floats) -> Floats:
    """Return the surprise at which each cell's calibrated p-value is p; the inverse of `read_p`.

    Parameters
    ----------
    p
        Wanted p-value, 0 < p <= 1; one for all, or shape (cells,).
    curves
        Shape (cells, 8).
    """
    knots = _knots(curves)
    wanted = np.broadcast_to(-np.log(p), len(curves))
    rows = np.arange(len(curves))
    segment = np.clip(np.searchsorted(_LOG_P, wanted, side="right") - 1, 0, len(_LOG_P) - 2)
    share = (wanted - _LOG_P[segment]) / (_LOG_P[segment + 1] - _LOG_P[segment])
    between = knots[rows, segment] + share * (knots[rows, segment + 1] - knots[rows, segment])
    beyond = knots[:, -1] + (wanted - _LOG_P[-1]) / curves[:, -1]
    return cast(Floats, np.where(wanted >= _LOG_P[-1], beyond, between))


def _knots(curves: Floats) -> Floats:
    return np.concatenate((np.zeros((len(curves), 1)), curves[:, :-1]), axis=1)
