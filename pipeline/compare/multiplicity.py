"""Many comparisons at once: how many of those that stand out would stand out by chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def benjamini_hochberg(p: Floats) -> Floats:
    """Return the adjusted p-values (q) of the step-up procedure, q_i = min over k >= i of p_(k) N / k.

    Rejecting where q <= a keeps the expected share of false ones among the rejected at a or below.

    Parameters
    ----------
    p
        p-values, shape (N,); nan marks a comparison that was not made, it counts for nothing and stays nan.

    Returns
    -------
    q, shape (N,), between 0 and 1.

    Raises
    ------
    ValueError
        If a p-value lies outside 0 to 1.

    Notes
    -----
    Source: Benjamini and Hochberg 1995, Journal of the Royal Statistical Society B 57:289-300.
    """
    p = np.asarray(p, dtype=np.float64)
    made = np.flatnonzero(~np.isnan(p))
    tested = p[made]
    if np.any((tested < 0) | (tested > 1)):
        raise ValueError("a p-value lies between 0 and 1")
    q = np.full(p.shape, np.nan)
    order = np.argsort(tested, kind="stable")
    raised = tested[order] * tested.size / np.arange(1, tested.size + 1)
    lowest = np.minimum.accumulate(raised[::-1])[::-1]
    q[made[order]] = np.minimum(lowest, 1.0)
    return q


def rejection_cutoff(p: Floats, q_level: float) -> float:
    """Return the p-value at or below which the step-up procedure rejects at q_level.

    With k rejections it is k q_level / N. With none it is q_level / N, which a single van would have to reach.

    Parameters
    ----------
    p
        p-values, shape (N,); nan = not made.
    q_level
        False discovery rate allowed.
    """
    tested = int(np.count_nonzero(~np.isnan(p)))
    if tested == 0:
        return 0.0
    rejected = int(np.count_nonzero(benjamini_hochberg(p) <= q_level))
    return max(rejected, 1) * q_level / tested
