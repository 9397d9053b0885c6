"""Steps of one series: running sums, and the place of a step."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.segments import runs_of_one_length
from pipeline.compare.serial import Lines, quadratic

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Steps:
    """The best single step of every cell.

    Parameters
    ----------
    last_before : (cells,) int
        Row of the last point before the step; -1 with fewer than two points.
    size : (cells,) float
        Mean after less mean before.
    error, df : (cells,) float
        Standard error of `size` with serial correlation counted, and its degrees of freedom; nan where the two sides
        leave fewer than one.
    share_before : (cells,) float
        Share of the points that lie before the step.
    beats_line : (cells,) float
        Sum of squares left by a straight line over that left by the step; above 1 the step describes the series
        better. Both have two parameters and the step's place besides, so a bar above 1 is asked of it.
    """

    last_before: Ints
    size: Floats
    error: Floats
    df: Floats
    share_before: Floats
    beats_line: Floats


def tabular_cusum(x: Floats, target: float, slack: float) -> tuple[Floats, Floats]:
    """Return the running sums above and below target, each drawn back to 0.

    up_i = max(0, up_{i-1} + x_i - target - slack), down likewise. With C the plain sum of the terms this is
    C_i - min(0, min_{k <= i} C_k), which needs no loop.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3.
    """

    def drawn_back(term: Floats) -> Floats:
        total = np.cumsum(term)
        return total - np.minimum(np.minimum.accumulate(total), 0.0)

    return drawn_back(x - target - slack), drawn_back(target - slack - x)


def smooth(x: Floats, weight: float, start: float) -> Floats:
    """Return the exponentially weighted moving average: z_i = weight x_i + (1 - weight) z_{i-1}, z before the first = start.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.4.
    """
    return np.fromiter(
        accumulate(x, lambda z, new: weight * new + (1 - weight) * z, initial=start), np.float64
    )[1:]


def first_noticed(x: Floats, *, n_start: int = 4) -> int | None:
    """Return the place at which a running tally of x first passes its bar, on the side to which x moves; None if never.

    Target: mean of the first `n_start` values; standard deviation: from the differences of neighbours (von Neumann
    1941), which a trend hardly touches; slack 0.5 and bar 5 of it (Montgomery, Introduction to Statistical Quality
    Control, from memory). For series already judged to move: the tally is no test here.
    """
    if len(x) <= n_start:
        return None
    target, sd = float(x[:n_start].mean()), float(np.sqrt(np.mean(np.diff(x) ** 2) / 2))
    up, down = tabular_cusum(x, target, 0.5 * sd)
    passed = np.flatnonzero((up if x[-1] > target else down) > 5 * sd)
    return int(passed[0]) if len(passed) else None


def locate_step(cell: Ints, lines: Lines, rho: Floats) -> Steps:
    """Return where each series steps: after the point at which the sum of deviations from the mean is furthest off.

    Parameters
    ----------
    cell : (rows,) int
        Cell from 0, in order, and in order of time within a cell.
    lines : Lines
        Fitted to the rows.
    rho : (cells,) float
        Serial correlation over one time unit.

    Notes
    -----
    The error is that of the two means with a place that is given, from the scatter about them; one degree of freedom
    is given up for the place. The place is that of Hinkley 1971 (Biometrika 58:509-523), weighted by sqrt(n / (k (n - k))) so that it is the
    step of least squares.
    """
    cells = len(lines.slope)
    place = np.full(cells, -1)
    size, error, df, before, beats = np.full((5, cells), np.nan)
    for part, rows in runs_of_one_length(cell, cells, least=2):
        n, off = rows.shape[1], lines.value[rows]
        k = np.arange(1, n)
        total = np.cumsum(off, axis=1)[:, :-1]
        explained = total**2 * (n / (k * (n - k)))
        series, best = np.arange(len(part)), explained.argmax(axis=1)
        square = (off**2).sum(axis=1)
        by_line = square - lines.slope[part] ** 2 * lines.spread[part]
        by_step = np.maximum(square - explained[series, best], 1e-12 * np.maximum(square, 1e-300))
        place[part] = rows[series, best]
        size[part] = -total[series, best] * n / (k * (n - k))[best]
        beats[part] = by_line / by_step
        before[part] = k[best] / n
        error[part], df[part] = _errors(
            lines.time[rows], k[best], rho[part], square - explained[series, best]
        )
    return Steps(place, size, error, df, before, beats)


def _errors(time: Floats, before: Ints, rho: Floats, left: Floats) -> tuple[Floats, Floats]:
    """Standard error of the means' difference and its degrees of freedom, from the sum of squares `left` about the means.

    With first-order correlations R over the true gaps and w = 1 / after, -1 / before: w'Rw times the variance, which is
    `left` over what R lets the points scatter about two means of their own.
    """
    n = time.shape[1]
    is_after = np.arange(n) >= before[:, None]
    after = n - before
    kinship = rho[:, None] ** np.diff(time, axis=1)
    first, second = (quadratic(side.astype(np.float64), kinship) for side in (~is_after, is_after))
    apart = quadratic(np.where(is_after, 1 / after[:, None], -1 / before[:, None]), kinship)
    scatter = n - first / before - second / after
    df = (n - 3) * (1 - rho**2) / (1 + rho**2)
    is_told = (df >= 1) & (scatter > 0)
    variance = np.divide(left, scatter, out=np.full(len(rho), np.nan), where=is_told)
    return np.sqrt(np.maximum(variance, 0) * apart), np.where(is_told, df, np.nan)
