"""The two passes of the sibling score on whole batches: cohorts of one size are the rows of a matrix.

Pass 1 marks vans that look unlike their siblings, so that a second faulty van cannot hide a first. Pass 2 describes
every van's unmarked siblings and sets the van against them. Used alike on a fleet and on the simulated
fleets of the null tables, so what is calibrated is what runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.compare.moderation import log_chi_square_moments
from pipeline.compare.scale import leave_one_out_median, leave_one_out_qn, load_scale_table

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LOWEST_LOG = 2.0
"""Standard deviations below its mean at which the logarithm of a cohort's variance is cut off (`fit_prior`)."""


@dataclass(frozen=True)
class Siblings:
    """A van's unmarked siblings, itself excluded. Arrays have one entry per van.

    Attributes
    ----------
    n
        How many there are.
    mean, s2
        Mean of their values, and the variance between them (0 where n < 2).
    inverse_scans
        Mean of 1 / m over them.
    """

    n: Floats
    mean: Floats
    s2: Floats
    inverse_scans: Floats


@dataclass(frozen=True)
class Statistic:
    """The score before calibration. Arrays have one entry per van.

    Attributes
    ----------
    t, df
        Score and its nominal degrees of freedom.
    spread
        Denominator of t: standard deviation of the difference of a healthy van.
    variance
        Moderated variance between siblings (s~2).
    between
        Part of it that is not scatter of single scans (tau2).
    mean_variance
        How well the difference itself is known: w2/m + s~2/n.
    """

    t: Floats
    df: Floats
    spread: Floats
    variance: Floats
    between: Floats
    mean_variance: Floats


def mark_suspects(values: Floats, resolution: Floats, suspect_p: float = 0.005) -> Bools:
    """Pass 1: mark vans far from the median of their siblings.

    t1 = (y - median) / (s sqrt(1 + kappa_n)), s = c_n Qn of the siblings and never below what the resolution alone
    gives (resolution / sqrt(12)); marked where p1 < suspect_p with the df of the scale table. At least
    max(3, ceil(N/2)) vans stay unmarked, the furthest being marked first and ties together.

    Parameters
    ----------
    values
        Shape (cohorts, N), N >= 4.
    resolution
        Shape (cohorts,); smallest step of the reading, 0 where unknown.
    suspect_p
        Two-sided p-value below which a van is marked.
    """
    vans = values.shape[1]
    factor, df, kappa = load_scale_table().constants(vans - 1)
    scale = np.maximum(factor * leave_one_out_qn(values), resolution[:, None] / np.sqrt(12.0))
    distance = np.abs(values - leave_one_out_median(values))
    with np.errstate(divide="ignore", invalid="ignore"):
        t1 = np.where(distance > 0, distance / (scale * np.sqrt(1 + kappa)), 0.0)
    most = vans - max(3, -(-vans // 2))
    stays = np.partition(t1, vans - 1 - most, axis=1)[:, [vans - 1 - most]]
    return cast(Bools, (t1 > special.stdtrit(df, 1 - suspect_p / 2)) & (t1 > stays))


def describe_siblings(values: Floats, inverse_scans: Floats, is_clean: Bools) -> Siblings:
    """Describe every van's unmarked siblings; all arrays have shape (cohorts, N).

    The van's own share is taken out of the sums of its cohort, which are kept about the cohort's mean so
    that nothing is lost to a large level.
    """
    weight = is_clean.astype(np.float64)
    total = weight.sum(axis=1, keepdims=True)
    centre = (weight * values).sum(axis=1, keepdims=True) / total
    offset = values - centre
    squares = (weight * offset**2).sum(axis=1, keepdims=True)
    n = total - weight
    mean_offset = -weight * offset / n
    left = np.maximum(squares - weight * offset**2 * total / n, 0.0)
    scans = ((weight * inverse_scans).sum(axis=1, keepdims=True) - weight * inverse_scans) / n
    return Siblings(n, centre + mean_offset, left / np.maximum(n - 1, 1), scans)


def describe_cohorts(values: Floats, is_clean: Bools) -> tuple[Floats, Floats]:
    """Return (variance between the unmarked vans, its degrees of freedom) of every cohort, shape (cohorts,)."""
    weight = is_clean.astype(np.float64)
    total = weight.sum(axis=1)
    centre = (weight * values).sum(axis=1) / total
    squares = (weight * (values - centre[:, None]) ** 2).sum(axis=1)
    return squares / np.maximum(total - 1, 1), total - 1


def trimmed_log_moments(vans: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return mean and variance of log(s2 / sigma2), s2 being the variance between the unmarked vans of a cohort.

    Pass 1 now and then marks a healthy van, which lowers the variance of the rest. The table holds both moments
    against those of chi-square on N - 1 degrees of freedom, from simulated healthy cohorts, the logarithm being
    winsorised at LOWEST_LOG (`make_scale_table.py`); between its sizes they are interpolated in 1/N.

    Parameters
    ----------
    vans
        Cohort sizes N, 4 or more, shape (k,).
    """
    size, mean_shift, variance_ratio = _trim_table()
    mean, variance = log_chi_square_moments((vans - 1).astype(np.float64))
    at, known = 1.0 / vans, 1.0 / size[::-1]
    shift = np.interp(at, known, mean_shift[::-1])
    return mean + shift, variance * np.interp(at, known, variance_ratio[::-1])


@cache
def _trim_table() -> tuple[Floats, Floats, Floats]:
    path = resources.files("pipeline.compare") / "trim_table.csv"
    rows = np.loadtxt(path.read_text("utf-8").splitlines(), delimiter=",", skiprows=1)
    return rows[:, 0], rows[:, 1], rows[:, 2]


def set_against_siblings(
    values: Floats, inverse_scans: Floats, siblings: Siblings, variance: Floats, d0: Floats, w2: Floats
) -> Statistic:
    """Pass 2: the score of every van. All arrays broadcast to one shape.

    tau2 = max(0, s~2 - w2 mean(1/m)),
    t = (y - mean) / sqrt(max(tau2 + w2/m, s~2/4) + s~2/n), df = d0 + n - 1. With d0 = 0, w2 = 0 and nothing marked
    this is the t of a single case against n controls (Crawford and Howell 1998).

    Parameters
    ----------
    values, inverse_scans
        y and 1 / m of the van.
    siblings
        From `describe_siblings`.
    variance
        Moderated variance s~2 between the siblings.
    d0
        Prior degrees of freedom.
    w2
        Pooled within-van variance of one scan.
    """
    own = w2 * inverse_scans
    between = np.maximum(0.0, variance - w2 * siblings.inverse_scans)
    spread = np.sqrt(np.maximum(between + own, variance / 4) + variance / siblings.n)
    difference = values - siblings.mean
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(difference == 0, 0.0, difference / spread)
    df = d0 + siblings.n - 1
    return Statistic(t, df, spread, variance, between, own + variance / siblings.n)
