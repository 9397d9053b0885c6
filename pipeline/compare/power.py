"""How many vans a measurement needs to decide something: the arithmetic of paired readings."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from pipeline.compare.distributions import chi2_quantile, t_quantile, z_tail

MOST_PAIRS = 60  # more vans than this nobody reads twice to settle one question

_MIDDLES = (np.arange(2000) + 0.5) / 2000  # of 2,000 equal parts of a probability


@cache
def paired_power(ratio: float, pairs: int, alpha: float = 0.05) -> float:
    """Return the chance that a paired t test of so many vans finds a difference.

    Parameters
    ----------
    ratio : float
        True difference over the standard deviation of one van's difference.
    pairs : int
        Vans read both ways.
    alpha : float
        Two-sided level of the test.

    Notes
    -----
    Source: the noncentral t law, Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, chapter 2. It is
    taken as a mean of normal tails over the law of the estimated standard deviation, good to about 1e-4, since
    scipy's own tail fails for large differences.
    """
    if pairs < 2:
        return 0.0
    df, shift = pairs - 1, abs(ratio) * math.sqrt(pairs)
    reach = t_quantile(1 - alpha / 2, df) * np.sqrt(chi2_quantile(_MIDDLES, df) / df)
    return float((z_tail(reach - shift) + z_tail(reach + shift)).mean())


def pairs_needed(
    difference: float | None, sd: float | None, *, least: int = 2, power: float = 0.8, alpha: float = 0.05
) -> int | None:
    """Return the smallest number of vans, read both ways, that finds a difference with this power.

    Parameters
    ----------
    difference, sd : float or None
        What is to be found, and the standard deviation of one van's difference; same unit.
    least : int
        Never fewer than this.
    power, alpha : float
        Chance of finding it; level of the two-sided test.

    Returns
    -------
    int, or None where either figure is unknown, or more than `MOST_PAIRS` vans were needed.
    """
    if not difference or sd is None or not math.isfinite(sd):
        return None
    if sd <= 0:
        return least
    ratio = round(abs(difference) / sd, 4)
    fits = (n for n in range(max(least, 2), MOST_PAIRS + 1) if paired_power(ratio, n, alpha) >= power)
    return next(fits, None)
