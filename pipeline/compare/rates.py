"""Rates per distance: how often a van needs work, and what it costs, with honest intervals for few events."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.distributions import chi2_quantile, chi2_upper

FloatArray = NDArray[np.float64]
LEAST_COSTS = 5  # entries with a cost below which an interval would pretend
_DRAWS = 4000
_SEED = 8


def poisson_interval(
    events: ArrayLike, distance: ArrayLike, confidence: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Return the exact interval of a rate, events / distance.

    Parameters
    ----------
    events : (...,) number
        Counted events, 0 or more.
    distance : (...,) float
        What they are held against, positive; the rate is per one of it.
    confidence : float
        Coverage aimed at.

    Returns
    -------
    low, high : (...,) float

    Raises
    ------
    ValueError
        Where a count is negative or a distance is not positive.

    Notes
    -----
    Source: Garwood 1936, Biometrika 28:437-442: chi-square quantiles on 2k and 2k + 2 degrees of freedom, halved.
    Assumed: events come one by one and independently; work that calls for more work makes it too narrow.
    """
    count, span = np.broadcast_arrays(np.asarray(events, np.float64), np.asarray(distance, np.float64))
    if (count < 0).any() or not (span > 0).all():
        raise ValueError("a count is 0 or more and a distance positive")
    tail = (1 - confidence) / 2
    low = np.where(count > 0, chi2_quantile(tail, 2 * np.maximum(count, 0.5)) / 2, 0.0)
    high = chi2_upper(tail, 2 * count + 2) / 2
    return low / span, high / span


def cost_interval(costs: ArrayLike, distance: float, confidence: float = 0.95) -> tuple[float, float] | None:
    """Return an interval of cost / distance, or None with fewer than LEAST_COSTS entries.

    The entries are drawn again with replacement, a Poisson number of them each time, so that how often and how
    much both count.

    Parameters
    ----------
    costs : (n,) float
        The entries' costs.
    distance : float
        What they are held against, positive.
    confidence : float
        Coverage aimed at.

    Notes
    -----
    Source: Efron 1979, Annals of Statistics 7:1-26 (percentile interval), for a sum of a Poisson number of costs.
    Seeded: the same entries give the same interval. With few entries it is too narrow rather than too wide.
    """
    known = np.asarray(costs, np.float64)
    if len(known) < LEAST_COSTS or distance <= 0:
        return None
    rng = np.random.default_rng(_SEED)
    counts = rng.poisson(len(known), _DRAWS)
    drawn = rng.choice(known, int(counts.sum()))
    sums = np.bincount(np.repeat(np.arange(_DRAWS), counts), weights=drawn, minlength=_DRAWS) / distance
    low, high = np.quantile(sums, [(1 - confidence) / 2, (1 + confidence) / 2])
    return float(low), float(high)
