"""Whether two readers agree on the same vans: bias, limits of agreement, and whether the bias grows with the value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.distributions import t_quantile, t_tail, z_quantile

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Agreements:
    """One row per comparison (two readers, one measure), shape (cells,).

    `bias` is the mean over vans of one reader less the other, with interval and p-value of no bias, all nan below
    two vans. A further single pair falls between `lower` and `upper` (the limits of agreement) 19 times of 20; each has
    an interval of its own. `sd` is the standard deviation of a single pair's difference. `slope` is the
    change of the difference per unit of the value, `slope_p` its p-value; nan below four vans. p-values are nan where
    nothing varies and no step of the reading is known.
    """

    bias: FloatArray
    bias_low: FloatArray
    bias_high: FloatArray
    p: FloatArray
    sd: FloatArray
    lower: FloatArray
    lower_low: FloatArray
    lower_high: FloatArray
    upper: FloatArray
    upper_low: FloatArray
    upper_high: FloatArray
    slope: FloatArray
    slope_p: FloatArray
    n_vans: IntArray
    n_pairs: IntArray


def compare_pairs(
    value: ArrayLike,
    other: ArrayLike,
    van: ArrayLike,
    cell: ArrayLike,
    *,
    n_cells: int | None = None,
    resolution: ArrayLike | None = None,
    confidence: float = 0.95,
) -> Agreements:
    """Compare two readers on pairs of readings of the same van and state.

    Parameters
    ----------
    value, other : (n,) float
        What either reader showed, finite, in one unit.
    van : (n,) int
        A van may have several pairs.
    cell : (n,) int
        Number of the comparison, from 0.
    n_cells : int, optional
        Number of comparisons; the largest met plus one, where not given.
    resolution : (n_cells,) float, optional
        One step of the reading in each comparison; where not given, the smallest gap between values met in it.
    confidence : float
        Of all intervals.

    Returns
    -------
    Agreements

    Raises
    ------
    ValueError
        Where arrays differ in length or a value is not finite.

    Notes
    -----
    Source: Bland and Altman 1986, Lancet i:307-310: with one pair a van, bias = mean d, limits = bias -+ z sd(d),
    standard error of the bias sd / sqrt(n) and of a limit sqrt(3 / n) sd. Their 1.96 is used, where their
    worked example rounds to 2. With several pairs a van the van stays the unit (Bland and Altman 1999,
    Statistical Methods in Medical Research 8:135-160, section 5, from memory): the bias is the mean of the vans' mean
    differences and the variance of a single difference is their variance plus (1 - mean of 1 / m) times that
    within vans. The slope is that of the vans' mean difference on their mean value (least squares): where it
    is clear, the readers differ by a factor rather than by an amount. Both values of a pair are rounded to a step, so
    a difference is known to no better than a variance of step^2 / 6 (two uniform errors of step^2 / 12 each): the
    vans' mean differences are never taken to vary less, and identical differences do not make a bias certain.
    Assumed: differences are about normal; the two readings of a pair were taken close enough for the van to be the same.
    """
    a, b = np.asarray(value, np.float64), np.asarray(other, np.float64)
    who, number = np.asarray(van, np.int64), np.asarray(cell, np.int64)
    if not (a.shape == b.shape == who.shape == number.shape):
        raise ValueError("columns must be arrays of one length")
    if not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise ValueError("every value must be finite")
    cells = int(number.max(initial=-1)) + 1 if n_cells is None else n_cells
    unit, at = np.unique(np.stack([number, who]), axis=1, return_inverse=True)
    m = np.bincount(at, minlength=unit.shape[1]).astype(np.float64)
    d = np.bincount(at, a - b, unit.shape[1]) / m
    level = np.bincount(at, (a + b) / 2, unit.shape[1]) / m
    within = np.bincount(number, (a - b - d[at]) ** 2, cells)
    of = unit[0]
    n = np.bincount(of, minlength=cells)
    enough = np.where(n >= 2, n, np.nan).astype(np.float64)
    floor = _steps(a, b, number, cells, resolution) ** 2 / 6
    mean, between = _moments(d, of, enough)
    between = np.maximum(between, floor)
    spare = np.bincount(number, minlength=cells) - n
    pooled = within / np.where(spare > 0, spare, 1)
    variance = between + (1 - np.bincount(of, 1 / m, cells) / enough) * np.where(spare > 0, pooled, 0.0)
    sd, error = np.sqrt(variance), np.sqrt(between / enough)
    t = t_quantile(0.5 + confidence / 2, enough - 1)
    reach, limit_reach = z_quantile(0.975) * sd, t * np.sqrt(3 / enough) * sd
    slope, slope_p = _slopes(level, d, of, n, floor)
    return Agreements(
        mean,
        mean - t * error,
        mean + t * error,
        _t_test(mean, error, enough - 1),
        sd,
        mean - reach,
        mean - reach - limit_reach,
        mean - reach + limit_reach,
        mean + reach,
        mean + reach - limit_reach,
        mean + reach + limit_reach,
        slope,
        slope_p,
        n.astype(np.int64),
        np.bincount(number, minlength=cells).astype(np.int64),
    )


def _steps(
    a: FloatArray, b: FloatArray, cell: IntArray, cells: int, resolution: ArrayLike | None
) -> FloatArray:
    """Return one step of the reading in each cell: as told, or the smallest gap between values; 0 where unknown."""
    if resolution is not None:
        return np.nan_to_num(np.broadcast_to(np.asarray(resolution, np.float64), (cells,)))
    value, of = np.r_[a, b], np.r_[cell, cell]
    order = np.lexsort((value, of))
    value, of = value[order], of[order]
    gap = np.diff(value)
    # what is smaller is the arithmetic's error, not a step
    is_step = (of[1:] == of[:-1]) & (gap > 1e-9 * np.maximum(1.0, np.abs(value[1:])))
    found = np.full(cells, np.inf)
    np.minimum.at(found, of[1:][is_step], gap[is_step])
    return np.where(np.isfinite(found), found, 0.0)


def _moments(d: FloatArray, cell: IntArray, n: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and sample variance of each cell, nan where n is."""
    mean = np.bincount(cell, d, len(n)) / n
    left = d - np.nan_to_num(mean)[cell]
    return mean, np.bincount(cell, left**2, len(n)) / (n - 1)


def _t_test(estimate: FloatArray, error: FloatArray, df: FloatArray) -> FloatArray:
    """Return the two-sided p-value; where nothing varies 1 for no difference, else nan."""
    with np.errstate(divide="ignore", invalid="ignore"):
        p = 2 * t_tail(np.abs(estimate) / error, df)
    fixed: FloatArray = np.where(error == 0, np.where(estimate == 0, 1.0, np.nan), p)
    return fixed


def _slopes(
    x: FloatArray, y: FloatArray, cell: IntArray, n: IntArray, floor: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least-squares slope of y on x in each cell and its p-value; nan below four vans.

    `floor` (cells,) is the least variance left around the line.
    """
    enough = np.where(n >= 4, n, np.nan).astype(np.float64)
    x0 = x - np.nan_to_num(np.bincount(cell, x, len(n)) / enough)[cell]
    y0 = y - np.nan_to_num(np.bincount(cell, y, len(n)) / enough)[cell]
    sxx = np.bincount(cell, x0**2, len(n)) * np.where(n >= 4, 1.0, np.nan)
    sxx = np.where(sxx > 0, sxx, np.nan)
    slope = np.bincount(cell, x0 * y0, len(n)) / sxx
    rest = np.bincount(cell, (y0 - np.nan_to_num(slope)[cell] * x0) ** 2, len(n)) / (enough - 2)
    return slope, _t_test(slope, np.sqrt(np.maximum(rest, floor) / sxx), enough - 2)
