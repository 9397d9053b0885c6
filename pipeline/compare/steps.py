"""Steps: running sums, the place of a step, and whether a reader's update moved a reading."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.distributions import t_quantile, t_tail
from pipeline.compare.moderation import fit_prior, log_chi_square_moments, moderate
from pipeline.compare.segments import runs_of_one_length
from pipeline.compare.serial import Lines

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_POOLED = 4  # readings and states of an update that must be known before they lend each other variance


@dataclass(frozen=True)
class Steps:
    """The best single step of every cell.

    Parameters
    ----------
    last_before : (cells,) int
        Row of the last point before the step; -1 with fewer than two points.
    size : (cells,) float
        Mean after less mean before.
    beats_line : (cells,) float
        Sum of squares left by a straight line over that left by the step; above 1 the step describes the series
        better. Both have two parameters and the step's place besides, so a bar above 1 is asked of it.
    """

    last_before: Ints
    size: Floats
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


def locate_step(cell: Ints, lines: Lines) -> Steps:
    """Return where each series steps: after the point at which the sum of deviations from the mean is furthest off.

    Parameters
    ----------
    cell : (rows,) int
        Cell from 0, in order, and in order of time within a cell.
    lines : Lines
        Fitted to the rows.

    Notes
    -----
    The place is that of Hinkley 1971 (Biometrika 58:509-523), weighted by sqrt(n / (k (n - k))) so that it is the
    step of least squares.
    """
    cells = len(lines.slope)
    place, size, beats = np.full(cells, -1), np.full(cells, np.nan), np.full(cells, np.nan)
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
    return Steps(place, size, beats)


@dataclass(frozen=True)
class Moved:
    """How far vans moved over an update, summed over the vans, for many updates and readings at once.

    Parameters
    ----------
    n : (updates,) int
        Vans read before and after.
    mean, variance : (updates,) float
        Of after less before, over vans; nan where there are too few.
    """

    n: Ints
    mean: Floats
    variance: Floats


@dataclass(frozen=True)
class Judged:
    """Step at every update, with its 95 % interval and p; nan where it cannot be told."""

    step: Floats
    low: Floats
    high: Floats
    p: Floats


def judge_updates(own: Moved, others: Moved, update: Ints, *, min_vans: int = 4) -> Judged:
    """Judge whether a reader's update moved a reading: vans read by it against vans read by others at that time.

    The van is the unit; the two groups are held against each other by Welch's test.

    Parameters
    ----------
    own, others : Moved
        Vans read by the updated reader, and by other readers, over the same dates; one row per update and reading.
    update : (rows,) int
        Number of the update that a row belongs to.
    min_vans : int
        Vans needed on either side.

    Notes
    -----
    Source: Welch 1947, Biometrika 34:28-35. The variance of the side with fewer vans is moderated (see `moderation`):
    that of four vans by itself is often far too small, and a test on it finds little. The scans being the same for
    all readings of an update, so is the ratio that the variances of the two sides should have.
    """
    told = (np.minimum(own.n, others.n) >= min_vans) & (own.variance > 0) & (others.variance > 0)
    is_own_few = own.n <= others.n
    n = np.stack([np.where(is_own_few, x, y) for x, y in ((own.n, others.n), (others.n, own.n))])
    variance = np.stack(
        [
            np.where(is_own_few, x, y)
            for x, y in ((own.variance, others.variance), (others.variance, own.variance))
        ]
    )
    variance, df = np.where(told, variance, np.nan), n - 1.0
    variance[0, told], df[0, told] = _borrow(variance[:, told], df[:, told], update[told])
    parts = variance / np.maximum(n, 1)
    error = np.sqrt(parts.sum(axis=0))
    freedom = error**4 / (parts**2 / np.maximum(df, 1)).sum(axis=0)
    step = np.where(told, own.mean - others.mean, np.nan)
    reach = -t_quantile(0.025, freedom) * error
    return Judged(
        step, step - reach, step + reach, np.minimum(2 * t_tail(np.abs(step) / error, freedom), 1.0)
    )


def _borrow(variance: Floats, df: Floats, update: Ints) -> tuple[Floats, Floats]:
    """Return variance and degrees of freedom of the side with fewer vans, moderated by what the other side's says.

    `variance`, `df` (2, rows): the side with fewer vans first.
    """
    (few_mean, few_variance), (many_mean, many_variance) = (log_chi_square_moments(d) for d in df)
    updates = int(update.max(initial=-1)) + 1
    prior = fit_prior(
        variance[0] / variance[1],
        update,
        updates,
        few_mean - many_mean,
        few_variance + many_variance,
        LEAST_POOLED,
    )
    worth = 1 / (1 / prior.d0 + 1 / df[1]) if prior.d0 > 0 else np.zeros(len(update))
    worth = np.where(prior.is_pooled[update], worth, 0.0)
    expected = np.where(worth > 0, prior.s02[update] * variance[1], 0.0)
    return moderate(variance[0], df[0], expected, worth), df[0] + worth
