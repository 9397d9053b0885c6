"""Robust centre and scale of a van's siblings: the median and Qn, each with the van itself left out.

Qn is the k-th smallest of the absolute pairwise differences, k = C(floor(n/2) + 1, 2)
(Rousseeuw and Croux 1993). In groups of 3 to 30 its own scatter matters as much as its bias, so each n
carries a factor c and degrees of freedom d such that (c Qn)^2 is spread like sigma^2 chi2_d / d, matched on the
mean and the variance of its logarithm by Monte Carlo (`make_scale_table.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import cast

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_PAIRS_AT_ONCE = 4_000_000
"""Pairwise differences held in memory at a time (32 MB of floats)."""

_QN_FACTOR = 2.21914
"""Limit of c for large n: 1 / (sqrt(2) * Phi^-1(5/8)); Rousseeuw and Croux 1993, who print 2.2219."""

_QN_EFFICIENCY = 0.8227
"""Efficiency of Qn against the standard deviation at the normal law, Rousseeuw and Croux 1993."""


@dataclass(frozen=True)
class ScaleTable:
    """Small-sample constants of Qn and the median by group size.

    Attributes
    ----------
    n
        Group sizes, rising, shape (k,).
    factor
        c: factor that makes (c Qn)^2 comparable with a variance.
    df
        Degrees of freedom of (c Qn)^2.
    var_median
        Variance of the median of n standard normal values (kappa_n).
    """

    n: Ints
    factor: Floats
    df: Floats
    var_median: Floats

    def constants(self, n: int) -> tuple[float, float, float]:
        """Return (c, df, kappa) for groups of n values.

        Between tabulated sizes of the same parity, and beyond the last one, the constants approach their
        limits like 1/n, so they are interpolated in 1/n: c to 2.2191, df/n to 0.8227, n kappa to pi/2.

        Parameters
        ----------
        n
            Number of values, 3 or more.

        Raises
        ------
        ValueError
            If n is below the first tabulated size.
        """
        if n < int(self.n[0]):
            raise ValueError(f"no scale is defined for {n} values; the table starts at {int(self.n[0])}")
        exact = np.flatnonzero(self.n == n)
        if exact.size:
            i = int(exact[0])
            return float(self.factor[i]), float(self.df[i]), float(self.var_median[i])
        same = np.flatnonzero(self.n % 2 == n % 2)[::-1]
        inverse = np.concatenate(([0.0], 1.0 / self.n[same]))
        at = 1.0 / n
        factor = np.interp(at, inverse, np.concatenate(([_QN_FACTOR], self.factor[same])))
        df = n * np.interp(at, inverse, np.concatenate(([_QN_EFFICIENCY], self.df[same] / self.n[same])))
        kappa = at * np.interp(
            at, inverse, np.concatenate(([np.pi / 2], self.var_median[same] * self.n[same]))
        )
        return float(factor), float(df), float(kappa)


@cache
def load_scale_table() -> ScaleTable:
    """Read the table that ships with the package (made by `make_scale_table.py`)."""
    path = resources.files("pipeline.compare") / "scale_table.csv"
    rows = np.loadtxt(path.read_text("utf-8").splitlines(), delimiter=",", skiprows=1)
    return ScaleTable(rows[:, 0].astype(np.int64), rows[:, 1], rows[:, 2], rows[:, 3])


def qn_rank(n: int) -> int:
    """Return k, the rank of the pairwise difference that is the raw Qn of n values."""
    half = n // 2 + 1
    return half * (half - 1) // 2


def raw_qn(values: Floats) -> Floats:
    """Return the raw Qn (no factor) of every row.

    Parameters
    ----------
    values
        Shape (rows, n), n >= 2.
    """
    first, second = np.triu_indices(values.shape[1], 1)
    k = qn_rank(values.shape[1])
    result = np.empty(len(values))
    for part in _chunks(len(values), len(first)):
        differences = np.abs(values[part][:, first] - values[part][:, second])
        result[part] = np.partition(differences, k - 1, axis=1)[:, k - 1]
    return result


def leave_one_out_median(values: Floats) -> Floats:
    """Return, for every value, the median of the other values of its row.

    Parameters
    ----------
    values
        Shape (rows, N), N >= 2. The result has the same shape.
    """
    size = values.shape[1]
    order = np.argsort(values, axis=1, kind="stable")
    ranks = np.empty_like(order)
    np.put_along_axis(ranks, order, np.broadcast_to(np.arange(size), values.shape), axis=1)
    ordered = np.take_along_axis(values, order, axis=1)
    low, high = (size - 2) // 2, (size - 1) // 2
    lower = np.where(ranks > low, ordered[:, [low]], ordered[:, [low + 1]])
    upper = np.where(ranks > high, ordered[:, [high]], ordered[:, [min(high + 1, size - 1)]])
    return (lower + upper) / 2


def leave_one_out_qn(values: Floats) -> Floats:
    """Return, for every value, the raw Qn of the other values of its row.

    The pairs of a row are ordered once. Leaving a van out removes at most N - 1 pairs, so its Qn lies within
    the N pairs after rank k, and counting the van's own pairs up to there finds it: N^2 work a row
    where a fresh Qn for every van would take N^3.

    Parameters
    ----------
    values
        Shape (rows, N), N >= 3. The result has the same shape.
    """
    first, second = np.triu_indices(values.shape[1], 1)
    result = np.empty_like(values)
    for part in _chunks(len(values), len(first)):
        result[part] = _leave_one_out_qn(values[part], first, second)
    return result


def _leave_one_out_qn(values: Floats, first: Ints, second: Ints) -> Floats:
    rows, size = values.shape
    k = qn_rank(size - 1)
    last = k + size - 2
    differences = np.abs(values[:, first] - values[:, second])
    order = np.argpartition(differences, (k - 1, last), axis=1)[:, : last + 1]
    window = order[:, k - 1 :]
    in_window = np.take_along_axis(differences, window, axis=1)
    by_size = np.argsort(in_window, axis=1)
    window = np.take_along_axis(window, by_size, axis=1)
    in_window = np.take_along_axis(in_window, by_size, axis=1)

    start = np.arange(rows)[:, None] * size
    below = order[:, : k - 1]
    own = np.bincount((start + first[below]).ravel(), minlength=rows * size)
    own += np.bincount((start + second[below]).ravel(), minlength=rows * size)
    own_pairs = own.reshape(rows, 1, size)

    vans = np.arange(size)
    is_own = (first[window][:, :, None] == vans) | (second[window][:, :, None] == vans)
    seen = np.arange(k, last + 2)[None, :, None]
    left = seen - own_pairs - np.cumsum(is_own, axis=1)
    return cast(Floats, np.take_along_axis(in_window, np.argmax(left >= k, axis=1), axis=1))


def _chunks(rows: int, width: int) -> list[slice]:
    step = max(1, _PAIRS_AT_ONCE // max(1, width))
    return [slice(start, start + step) for start in range(0, rows, step)]
