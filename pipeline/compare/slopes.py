"""Is a slope more than chance and more than healthy vans differ in: slopes of many short series, variance shared.

A rank test of fourteen months can hardly reach the p-value that a thousand comparisons ask for. The slope of least
squares with a variance borrowed from all vans of a measure can (docs/decisions/0006).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.distributions import chi2_quantile, t_tail, z_upper
from pipeline.compare.moderation import fit_prior, log_chi_square_moments, moderate
from pipeline.compare.segments import runs_of_one_length, segment_medians
from pipeline.compare.serial import Lines, quadratic

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OWN_SHARE = 0.5  # of the cell's own variance is always counted: one odd month widens its own error
_MOST_DF = 1e7
_MEDIAN_CHI2 = float(chi2_quantile(0.5, 1))
_DENSITY = float(np.exp(-_MEDIAN_CHI2 / 2) / np.sqrt(2 * np.pi * _MEDIAN_CHI2))  # of chi-square there
_MEDIAN_ERROR = 0.5 / (_DENSITY * _MEDIAN_CHI2)  # of a median over its value, times 1 / sqrt(n)
_SURE_ERRORS = 2.0
_LEAST_MEASURES = 5  # fewer cannot say how far measures differ from one another
_TO_SD = 1.4826  # median absolute deviation of normal values to their standard deviation


@dataclass(frozen=True)
class Slopes:
    """Slope of least squares of every cell, held against its error.

    Parameters
    ----------
    slope, error : (cells,) float
        Value per time unit; the error holds serial correlation, borrowed variance and what healthy vans differ in.
    t, df, p : (cells,) float
        slope / error, its degrees of freedom (inf where all cells share one variance), two-sided p; 1 where nothing
        varies.
    healthy_scatter : (cells,) float
        Variance of the slopes of the measure's vans over that which their months' scatter explains, 1 or more.
    """

    slope: Floats
    error: Floats
    t: Floats
    df: Floats
    p: Floats
    healthy_scatter: Floats


def _line_variances(cell: Ints, lines: Lines, rho: Floats) -> tuple[Floats, Floats]:
    """Variance of the slope, and expected residual sum of squares, both per unit variance of one value.

    With first-order correlations R over the true gaps, z = t - mean: z'Rz / (z'z)^2 and n - 1'R1 / n - z'Rz / z'z;
    without correlation 1 / z'z and n - 2.
    """
    cells, spread = len(rho), lines.spread
    variance, left = 1 / spread, np.bincount(cell, minlength=cells).astype(np.float64) - 2
    for part, rows in runs_of_one_length(cell, cells):
        kept = rho[part] > 0
        part, z = part[kept], lines.time[rows[kept]]
        size = z.shape[1]
        kinship = rho[part][:, None] ** np.diff(z, axis=1)
        alike, along = quadratic(np.ones_like(z), kinship), quadratic(z, kinship)
        variance[part] = along / spread[part] ** 2
        left[part] = size - alike / size - along / spread[part]
    return variance, left


def healthy_scatter(chi2: Floats, measure: Ints, measures: int) -> Floats:
    """Return by how much the slopes of a measure scatter more than their errors say, at least 1, shape (measures,).

    Healthy vans may wear, or be driven, at paces of their own; a van drifts only if it leaves that. The median of the
    squared normal scores over its value by chance hardly feels the few vans that do drift. What the medians of
    measures differ by beyond chance is what is believed of a single one (empirical Bayes), but no less than two standard
    errors below its own (limited translation): one reading whose vans do differ must not be taken for like the rest.

    Parameters
    ----------
    chi2 : (cells,) float
        Squared normal score of each slope, by chance chi-square with one degree of freedom.
    measure : (cells,) int
        Measure of each cell; every one of 0 .. measures - 1 has a cell.

    Notes
    -----
    Source: Devlin and Roeder 1999, Biometrics 55:997-1004 (a median to widen many tests); Efron and Morris 1972,
    Journal of the American Statistical Association 67:130-139 (limited translation). Both from memory.
    """
    count = np.bincount(measure, minlength=measures)
    starts = np.concatenate([[0], np.cumsum(count)[:-1]])
    own = segment_medians(chi2[np.argsort(measure, kind="stable")], starts) / _MEDIAN_CHI2
    by_chance = _MEDIAN_ERROR**2 / count
    if measures < _LEAST_MEASURES:
        return np.maximum(own, 1.0)
    middle = float(np.median(own))
    apart = max((_TO_SD * float(np.median(np.abs(own - middle)))) ** 2 - float(np.median(by_chance)), 0.0)
    believed = (apart * own + by_chance * middle) / (apart + by_chance)
    surely = own / (1 + _SURE_ERRORS * np.sqrt(by_chance))
    return np.asarray(np.maximum.reduce([believed, surely, np.ones(measures)]))


def judge_slopes(
    cell: Ints, lines: Lines, rho: Floats, measure: Ints, measures: int, least_variance: Floats
) -> Slopes:
    """Return slope, error and p-value of every cell; each has three or more points.

    Parameters
    ----------
    cell : (rows,) int
        Cell from 0, in order; time rises strictly within a cell.
    lines : Lines
        Fitted to the rows.
    rho : (cells,) float
        Serial correlation over one time unit.
    measure : (cells,) int
        Measure of each cell, 0 .. measures - 1, each with a cell.
    least_variance : (cells,) float
        A value's variance is never taken to be smaller: resolution squared / 12.

    Notes
    -----
    Moderated variance: Smyth 2004, Statistical Applications in Genetics and Molecular Biology 3(1):3. With no prior
    (d0 = 0) and no serial correlation this is the t-test of a regression's slope.
    """
    cells = len(rho)
    per_unit, expected = _line_variances(cell, lines, rho)
    s2 = np.bincount(cell, lines.left**2, cells) / expected
    n = np.bincount(cell, minlength=cells)
    own_df = np.maximum((n - 2) * (1 - rho**2) / (1 + rho**2), 1.0)
    prior = fit_prior(s2, measure, measures, *log_chi_square_moments(own_df))
    s02 = np.where(prior.is_pooled, prior.s02, np.nan)[measure]
    d0 = np.where(np.isnan(s02), 0.0, prior.d0)
    s2_used = np.maximum.reduce([moderate(s2, own_df, s02, d0), OWN_SHARE * s2, least_variance])
    plain = np.sqrt(s2_used * per_unit)
    df = d0 + own_df
    t = np.divide(lines.slope, plain, out=np.zeros(cells), where=plain > 0)
    scatter = healthy_scatter(z_upper(_two_sided(t, df) / 2) ** 2, measure, measures)[measure]
    error = plain * np.sqrt(scatter)
    t = t / np.sqrt(scatter)
    return Slopes(lines.slope, error, t, df, _two_sided(t, df), scatter)


def _two_sided(t: Floats, df: Floats) -> Floats:
    return np.asarray(np.maximum(2 * t_tail(np.abs(t), np.minimum(df, _MOST_DF)), 1e-300))
