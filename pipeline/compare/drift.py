"""Slow drift: monotone trend and its slope for many short series at once.

A cell is one van x reading x state; its series is the van's difference from its siblings, month by month.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.distributions import z_tail, z_upper
from pipeline.compare.segments import blocks, runs_of_one_length

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_POINTS = 60  # longer series: pairs grow with the square, and months never reach it within the horizon
_ALPHA = 0.05


@dataclass(frozen=True)
class Trends:
    """Trend of every cell; nan where a cell has fewer than three points.

    Parameters
    ----------
    n : (cells,) int
        Points of the series.
    slope, slope_low, slope_high : (cells,) float
        Median of the slopes between all pairs of points, with Sen's 95 % interval (value per time unit).
    intercept : (cells,) float
        Median of value - slope x time.
    s, variance, z, p : (cells,) float
        Mann-Kendall statistic, its variance with ties and serial correlation in it, normal score, two-sided p.
    """

    n: Ints
    slope: Floats
    slope_low: Floats
    slope_high: Floats
    intercept: Floats
    s: Floats
    variance: Floats
    z: Floats
    p: Floats


@cache
def exact_tail(n: int) -> Floats:
    """P(S >= s) of Mann-Kendall's S without ties, for s = -N, -N + 2 ... N with N = n (n - 1) / 2.

    S counts inversions of a random order; how many orders have k of them follows by adding one element at a time.
    Source: Kendall 1975, Rank Correlation Methods, chapter 5.
    """
    chance = np.ones(1)
    for size in range(2, n + 1):
        chance = np.convolve(chance, np.full(size, 1.0 / size))
    return np.minimum(np.cumsum(chance[::-1])[::-1], 1.0)


def rounded(value: Floats, step: Floats) -> Floats:
    """Round values to whole steps (0: not at all), so that what differs by the computer's rounding alone ties in ranks."""
    is_stepped = step > 0
    steps = np.round(np.divide(value, step, out=np.zeros_like(value), where=is_stepped))
    return np.where(is_stepped, steps * step, value)


def serial_inflation(rho: float, n: int) -> float:
    """Return by how much serial correlation widens the variance of Mann-Kendall's S.

    1 + 2 / (n (n-1) (n-2)) sum_i (n-i) (n-i-1) (n-i-2) r_i, where r_i is the correlation of ranks i points apart;
    for a first-order process r_i = 6 / pi asin(rho^i / 2).

    Source: Hamed and Rao 1998, Journal of Hydrology 204:182-196.
    """
    if n < 3 or rho == 0:
        return 1.0
    lag = np.arange(1, n - 2)
    ranks = 6 / np.pi * np.arcsin(rho**lag / 2)
    return float(1 + 2 / (n * (n - 1) * (n - 2)) * np.sum((n - lag) * (n - lag - 1) * (n - lag - 2) * ranks))


def _normal_score(s: Floats, variance: Floats, is_tied: NDArray[np.bool_], n: int) -> Floats:
    """Normal score of S: from its exact distribution where no values tie, else with the continuity correction."""
    size = np.abs(s)
    approximate = np.maximum(size - 1, 0) / np.sqrt(np.where(variance > 0, variance, 1.0))
    most = n * (n - 1) // 2
    place = np.clip(((size + most) / 2).astype(np.int64), 0, most)
    exact = z_upper(np.minimum(exact_tail(n)[place], 0.5))
    score = np.where(is_tied, approximate, exact)
    return np.asarray(np.sign(s) * score)


def _tie_sums(x: Floats, is_tied: NDArray[np.bool_]) -> Ints:
    """Return the sum of (k - 1)(2 k + 5) over the points of each series, k being how many share the point's value."""
    found = np.zeros(len(x), dtype=np.int64)
    if not is_tied.any():
        return found
    tied = x[is_tied]
    alike = (tied[:, :, None] == tied[:, None, :]).sum(axis=2)
    found[is_tied] = ((alike - 1) * (2 * alike + 5)).sum(axis=1)
    return found


@cache
def _places_of_pairs(n: int) -> tuple[Ints, Ints]:
    return np.triu_indices(n, 1)


def _by_pairs(x: Floats, t: Floats, inflation: Floats) -> tuple[np.ndarray, ...]:
    """What the pairs of points of series of one length n (k, n) say, each of shape (k,).

    Returns
    -------
    S, its variance with ties in it, whether values tie, the median of the pairs' slopes, and Sen's 95 % interval.
    """
    n = x.shape[1]
    i, j = _places_of_pairs(n)
    pairs = len(i)
    rises = x.take(j, axis=1) - x.take(i, axis=1)
    is_tied = (rises == 0).any(axis=1)
    variance = (n * (n - 1) * (2 * n + 5) - _tie_sums(x, is_tied)) / 18
    slopes = np.sort(rises / (t.take(j, axis=1) - t.take(i, axis=1)), axis=1)
    reach = z_upper(_ALPHA / 2) * np.sqrt(variance * inflation)
    upper = np.minimum(np.round((pairs + reach) / 2).astype(np.int64), pairs - 1)
    lower = np.maximum(np.round((pairs - reach) / 2).astype(np.int64) - 1, 0)
    series = np.arange(len(x))
    slope = (slopes[:, (pairs - 1) // 2] + slopes[:, pairs // 2]) / 2
    return (
        np.sign(rises).sum(axis=1),
        variance,
        is_tied,
        slope,
        slopes[series, lower],
        slopes[series, upper],
    )


def _check(cell: Ints, time: Floats) -> None:
    same = cell[1:] == cell[:-1]
    if np.any(np.diff(cell) < 0) or np.any(np.diff(time)[same] <= 0):
        raise ValueError("rows stand in order of cell, and of strictly rising time within a cell")
    if len(cell) and np.bincount(cell).max() > MOST_POINTS:
        raise ValueError(f"a series has at most {MOST_POINTS} points: take means first")


def follow(cell: Ints, time: Floats, value: Floats, rho: Floats) -> Trends:
    """Return the trend of every cell.

    Parameters
    ----------
    cell : (rows,) int
        Cell of each row, from 0, in order.
    time, value : (rows,) float
        When and what; time rises strictly within a cell.
    rho : (cells,) float
        First-order serial correlation assumed for the cell, 0 for none.

    Raises
    ------
    ValueError
        Where the rows are out of order, two of a cell have one time, or a series is too long.

    Notes
    -----
    Mann 1945, Econometrica 13:245-259; Kendall 1975 (ties); Sen 1968, Journal of the American Statistical
    Association 63:1379-1389 (slope and interval).
    """
    _check(cell, time)
    cells = len(rho)
    made = {
        name: np.full(cells, np.nan) for name in ("slope", "low", "high", "start", "s", "variance", "z", "p")
    }
    for part, rows in runs_of_one_length(cell, cells):
        n = rows.shape[1]
        x, t = value[rows], time[rows]
        widths, which = np.unique(rho[part], return_inverse=True)
        inflation = np.array([serial_inflation(float(r), n) for r in widths])[which]
        pairs = [_by_pairs(x[b], t[b], inflation[b]) for b in blocks(len(part), n * (n - 1) // 2)]
        s, variance, is_tied, slope, low, high = (np.concatenate(found) for found in zip(*pairs, strict=True))
        z = _normal_score(s, variance, is_tied, n) / np.sqrt(inflation)
        made["s"][part], made["variance"][part], made["z"][part] = s, variance * inflation, z
        made["slope"][part], made["low"][part], made["high"][part] = slope, low, high
        left = np.sort(x - slope[:, None] * t, axis=1)
        made["start"][part] = (left[:, (n - 1) // 2] + left[:, n // 2]) / 2
        made["p"][part] = np.minimum(2 * z_tail(np.abs(z)), 1.0)
    counts = np.bincount(cell, minlength=cells).astype(np.int64)
    return Trends(
        counts, made["slope"], made["low"], made["high"], made["start"], made["s"], made["variance"], made["z"],
        made["p"],
    )  # fmt: skip
