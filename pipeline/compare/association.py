"""Whether two quantities rise together among vans of one kind: a rank correlation within groups."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.distributions import average_ranks, z_upper

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Association:
    """A rank correlation with its 95 % interval; nan where there is too little to tell.

    Parameters
    ----------
    r, low, high : float
        Correlation, -1 to 1.
    n : int
        Vans in groups of at least three.
    n_groups : int
        Those groups.
    """

    r: float
    low: float
    high: float
    n: int
    n_groups: int


def rank_correlation_within(x: Floats, y: Floats, group: Ints) -> Association:
    """Return Spearman's rank correlation of x and y within groups, pooled over them.

    Values are ranked within their group and the ranks centred there, so that what differs between groups counts
    for nothing. With one group this is Spearman's coefficient. The interval is Fisher's, with the variance
    1.06 / (n - 3) of Fieller, Hartley and Pearson 1957 (Biometrika 44:470-481) and one observation less for every
    further group.

    Parameters
    ----------
    x, y : (vans,) float
        One pair a van.
    group : (vans,) int
        The van's group; groups of fewer than three say nothing.
    """
    products = np.zeros(3)
    n = n_groups = 0
    for number in np.unique(group):
        rows = group == number
        size = int(rows.sum())
        if size < 3:
            continue
        ranks = [(average_ranks(v[rows]) - (size + 1) / 2) / size for v in (x, y)]
        products += [ranks[0] @ ranks[1], ranks[0] @ ranks[0], ranks[1] @ ranks[1]]
        n, n_groups = n + size, n_groups + 1
    free = n - (n_groups - 1) - 3
    if free < 1 or products[1] == 0 or products[2] == 0:
        return Association(np.nan, np.nan, np.nan, n, n_groups)
    r = float(products[0] / np.sqrt(products[1] * products[2]))
    reach = float(z_upper(0.025)) * np.sqrt(1.06 / free)
    middle = np.arctanh(np.clip(r, -0.999999, 0.999999))
    return Association(r, float(np.tanh(middle - reach)), float(np.tanh(middle + reach)), n, n_groups)
