"""Intervals of a share of vans and of a difference of two means."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.distributions import z_quantile

FloatArray = NDArray[np.float64]


def normal_quantile(confidence: float) -> float:
    """Return z such that a normal value lies within -z to z with probability `confidence`."""
    if not 0 < confidence < 1:
        raise ValueError("confidence lies between 0 and 1")
    return float(z_quantile(0.5 + confidence / 2))


def wilson(k: ArrayLike, n: ArrayLike, confidence: float = 0.95) -> tuple[FloatArray, FloatArray]:
    """Return the score interval of a share k / n.

    (p + z^2/2n -+ z sqrt(p (1 - p) / n + z^2 / 4n^2)) / (1 + z^2/n), p = k / n. The unit counted must be the
    van, never the scan or the row. Where n = 0 nothing is known: 0 to 1.

    Parameters
    ----------
    k, n : (...,) number
        Vans concerned and vans looked at, 0 <= k <= n; broadcast against each other.
    confidence : float
        Coverage aimed at.

    Returns
    -------
    low, high : (...,) float
        Between 0 and 1.

    Raises
    ------
    ValueError
        Where k is negative or larger than n, or confidence is not between 0 and 1.

    Notes
    -----
    Source: Wilson 1927, Journal of the American Statistical Association 22:209-212; method 3 of Newcombe 1998,
    Statistics in Medicine 17:857-872.
    """
    hits, size = np.broadcast_arrays(np.asarray(k, dtype=np.float64), np.asarray(n, dtype=np.float64))
    if not ((hits >= 0) & (hits <= size)).all():
        raise ValueError("a count lies between 0 and the number looked at")
    z2 = normal_quantile(confidence) ** 2
    known = np.maximum(size, 1.0)
    share = hits / known
    centre = (share + z2 / (2 * known)) / (1 + z2 / known)
    reach = np.sqrt(z2 * share * (1 - share) / known + (z2 / (2 * known)) ** 2) / (1 + z2 / known)
    low = np.where((size == 0) | (hits == 0), 0.0, np.maximum(centre - reach, 0.0))
    high = np.where((size == 0) | (hits == size), 1.0, np.minimum(centre + reach, 1.0))
    return low, high
