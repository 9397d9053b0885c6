"""Memory from month to month: how much one value resembles the next, learnt over all vans of a measure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.segments import segment_medians

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_GRID = np.linspace(0.0, 0.95, 20)
_MOST_SQUARE = 4.0  # times the typical sum of squares, at which one van's say ends
_LEAST_POINTS = 6  # a shorter series says next to nothing once its line is taken off


@cache
def left_correlation(n: int) -> Floats:
    """Lag-1 correlation that a straight line leaves in n evenly spaced values, for each true correlation of `_GRID`.

    With M = I - X (X'X)^-1 X' and R the correlations of a first-order process it is tr(A M R M) / tr(M R M), A
    picking neighbours: negative for independent values, and short of the truth for others.
    """
    design = np.column_stack([np.ones(n), np.arange(n)])
    taken_off = np.eye(n) - design @ np.linalg.pinv(design)
    lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    left = [taken_off @ (rho**lags) @ taken_off for rho in _GRID]
    return np.array([np.trace(x @ np.eye(n, k=1)) / np.trace(x) for x in left])


@dataclass(frozen=True)
class Lines:
    """The line of least squares through each cell's points.

    Parameters
    ----------
    time, value : (rows,) float
        Less the means of their cell.
    left : (rows,) float
        What the line leaves of the value.
    spread : (cells,) float
        Sum of squares of time.
    slope : (cells,) float
        0 for a cell without two different times.
    """

    time: Floats
    value: Floats
    left: Floats
    spread: Floats
    slope: Floats


def fit_lines(cell: Ints, time: Floats, value: Floats, cells: int) -> Lines:
    """Fit a line to the points of every cell; `cell` counts from 0."""
    n = np.maximum(np.bincount(cell, minlength=cells), 1)

    def less_mean(x: Floats) -> Floats:
        return x - (np.bincount(cell, x, cells) / n)[cell]

    when, what = less_mean(time), less_mean(value)
    spread = np.bincount(cell, when**2, cells).astype(np.float64)
    slope = np.bincount(cell, when * what, cells) / np.where(spread > 0, spread, 1.0)
    return Lines(when, what, what - slope[cell] * when, spread, slope)


def _medians(values: Floats, group: Ints, groups: int) -> Floats:
    """Median of each group; nan for one without values."""
    order = np.argsort(group, kind="stable")
    found, starts = np.unique(group[order], return_index=True)
    middles = np.full(groups, np.nan)
    middles[found] = segment_medians(values[order], starts)
    return middles


def serial_correlation(
    cell: Ints, time: Floats, lines: Lines, measure: Ints, measures: int, *, prior: float = 30.0
) -> Floats:
    """Return the first-order serial correlation of every cell from one time unit to the next.

    One van's series is too short to tell; the mean over the vans of a measure, drawn towards that of all measures
    by the weight of `prior` vans, is used for each of them. Negative means count as none: a test is never made
    sharper by it.

    Parameters
    ----------
    cell, time : (rows,)
        Cell of each row, from 0, in order; time rises strictly within a cell.
    lines : Lines
        Fitted to the rows.
    measure : (cells,) int
        Measure of each cell.
    measures : int
        How many there are.

    Returns
    -------
    rho, shape (cells,), from 0 to 0.95.

    Notes
    -----
    A fitted line takes serial correlation away, the more the shorter the series; the correlation that would leave what
    is seen is looked up in `left_correlation`. Where months are missing neighbours stand further apart than one
    unit; what correlation over one unit gives theirs, rho to the power of the gap on average over the fleet, is looked
    up as well.
    """
    cells = len(measure)
    n = np.bincount(cell, minlength=cells).astype(np.int64)
    left = lines.left
    is_next = np.append(cell[1:] == cell[:-1], False)
    by_next = np.where(is_next, left * np.append(left[1:], 0.0), 0.0)
    product = np.bincount(cell, by_next, cells).astype(np.float64)
    gaps, often = np.unique(np.diff(time)[is_next[:-1]], return_counts=True)
    square = np.bincount(cell, left**2, cells).astype(np.float64)
    told = (n >= _LEAST_POINTS) & (square > 0)
    if not told.any():
        return np.zeros(cells)
    of = measure[told]
    count = np.bincount(of, minlength=measures).astype(np.float64)

    def typical(x: Floats) -> Floats:
        return np.asarray((np.bincount(of, x, measures) + prior * x.mean()) / (count + prior))

    expected = np.zeros((cells, len(_GRID)))
    for size in np.unique(n[told]):
        expected[n == size] = left_correlation(int(size))
    # The ratio of the sums, since the mean of short series' own ratios falls short; a van that scatters wildly
    # counts as one of four times the typical scatter.
    usual = _medians(square[told], of, measures)[of]
    weight = np.minimum(1 / usual, _MOST_SQUARE / square[told])
    shares = square[told] * weight
    seen = typical(product[told] * weight) / typical(shares)
    curves = np.stack([typical(shares * column) / typical(shares) for column in expected[told].T], axis=1)
    neighbours = np.array([np.interp(s, curve, _GRID) for s, curve in zip(seen, curves, strict=True)])
    over_gaps = (_GRID[:, None] ** gaps) @ often / often.sum()
    return np.asarray(np.interp(neighbours, over_gaps, _GRID)[measure])


def quadratic(x: Floats, kinship: Floats) -> Floats:
    """Sum x'Rx of every row of x (k, n), R being a first-order process with these correlations of neighbours (k, n - 1).

    What the earlier points carry on to point i is that of point i - 1 and the point itself, times one correlation.
    """
    carried, total = np.zeros(len(x)), (x**2).sum(axis=1)
    for i in range(kinship.shape[1]):
        carried = (carried + x[:, i]) * kinship[:, i]
        total += 2 * carried * x[:, i + 1]
    return np.asarray(total)
