"""A whole cohort against the other model years of the same make, model and engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.distributions import shifted_t_tail, t_quantile
from pipeline.compare.scale import load_scale_table
from pipeline.compare.segments import segment_medians, starts_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MAD_TO_SIGMA = 1.4826  # 1 / normal quantile of 0.75
ODD_VAN = 3.5  # robust standard deviations from its cohort's median; Iglewicz and Hoaglin 1993
SMALL_SAMPLE = 3.0  # raises that bar by 1 + 3 / df where the scale itself is unsure; chosen by simulation


@dataclass(frozen=True)
class Offsets:
    """One row per measure x family x cohort with enough vans, shape (k,).

    `difference` is the cohort's mean less `reference`, the median of the `n_others` other cohorts' means,
    with its interval; both nan where there is no other cohort. `sigma` is the standard deviation between
    vans of one cohort, pooled over the family with `df` degrees of freedom. `p` tests
    |true difference| <= margin x sigma. `n_vans` counts the cohort's vans, `n_odd` those of them set aside as
    unlike the rest. With `n_others` 1 the two differ, but which of them is out cannot be said.
    """

    measure: IntArray
    family: IntArray
    cohort: IntArray
    difference: FloatArray
    low: FloatArray
    high: FloatArray
    reference: FloatArray
    sigma: FloatArray
    df: IntArray
    p: FloatArray
    n_vans: IntArray
    n_odd: IntArray
    n_others: IntArray


@dataclass(frozen=True)
class _Cohorts:
    """Cohort means within blocks (measure x family); `head` is each cohort's first row."""

    head: IntArray
    block: IntArray
    size: IntArray
    n_kept: IntArray
    mean: FloatArray
    sigma: FloatArray
    df: IntArray


def find_offsets(
    value: ArrayLike,
    measure: ArrayLike,
    family: ArrayLike,
    cohort: ArrayLike,
    *,
    resolution: ArrayLike = 0.0,
    margin: float = 0.5,
    min_vans: int = 3,
    confidence: float = 0.95,
) -> Offsets:
    """Compare every cohort with the other cohorts of its family.

    Parameters
    ----------
    value : (n,) float
        One level per van x measure, finite, season and readers taken out.
    measure, family, cohort : (n,) int
        Codes; a family is make, model and engine, a cohort one model year of it. Cohort codes need to be
        unique only within their family.
    resolution : (n,) or scalar float
        Step of the sensor, nan or 0 where unknown: sigma is never taken below resolution / sqrt(12).
    margin : float
        Differences up to so many standard deviations between siblings are taken as natural.
    min_vans : int
        Vans a cohort must have to be judged or to serve as another.
    confidence : float
        Of the interval of the difference.

    Returns
    -------
    Offsets

    Raises
    ------
    ValueError
        Where the arrays differ in length or a value is not finite.

    Notes
    -----
    Vans further than 3.5 robust standard deviations from their cohort's median are set aside, so that one
    faulty van does not make its cohort differ. With D the difference, s its standard error and c =
    margin sigma / s, the p-value is P(|T| >= |D| / s) for T noncentral t with shift c: the interval null
    hypothesis at its edge (Hodges and Lehmann 1954, Journal of the Royal Statistical Society B 16:261-268).
    A cohort that stands out most in its family at p < 0.05 is left out of the others' reference in a
    second round, so that it does not push them the other way. Assumed: the vans of a family's cohorts
    vary equally and normally. Silent where a family has one cohort with enough vans.
    """
    level = np.asarray(value, dtype=np.float64)
    codes = [np.asarray(x, dtype=np.int64) for x in (measure, family, cohort)]
    if any(x.shape != level.shape for x in codes):
        raise ValueError("value and codes must be arrays of one length")
    if not np.isfinite(level).all():
        raise ValueError("every value must be finite")
    order = np.lexsort((codes[2], codes[1], codes[0]))
    level, (measure_s, family_s, cohort_s) = level[order], [x[order] for x in codes]
    least = (
        np.broadcast_to(np.nan_to_num(np.asarray(resolution, dtype=np.float64)), level.shape)[order] / 12**0.5
    )
    cohorts = _summarise(level, least, measure_s, family_s, cohort_s, min_vans)
    everyone = np.ones(len(cohorts.head), np.bool_)
    difference, reference, error, n_others = _against_others(cohorts, everyone)
    p = _interval_null(difference, error, cohorts, margin)
    score = np.abs(difference) / np.where(error > 0, error, np.inf)
    usual = ~_most_extreme(cohorts.block, score, (p < 0.05) & (n_others >= 2))
    again = _against_others(cohorts, usual)
    redo = usual & ~_all_usual(cohorts.block, usual)
    difference, reference, error, n_others = (
        np.where(redo, new, old)
        for new, old in zip(again, (difference, reference, error, n_others), strict=True)
    )
    p = _interval_null(difference, error, cohorts, margin)
    reach = t_quantile(0.5 + confidence / 2, np.maximum(cohorts.df, 1)) * error
    return Offsets(
        measure_s[cohorts.head],
        family_s[cohorts.head],
        cohort_s[cohorts.head],
        difference,
        difference - reach,
        difference + reach,
        reference,
        cohorts.sigma,
        cohorts.df,
        p,
        cohorts.size,
        cohorts.size - cohorts.n_kept,
        n_others,
    )


def _summarise(
    level: FloatArray,
    least_sigma: FloatArray,
    measure: IntArray,
    family: IntArray,
    cohort: IntArray,
    min_vans: int,
) -> _Cohorts:
    """Average each cohort without its odd vans, and pool the variance between vans over each family."""
    change = (measure[1:] != measure[:-1]) | (family[1:] != family[:-1])
    block = np.cumsum(np.r_[0, change]) if len(level) else measure
    cell = np.cumsum(np.r_[0, change | (cohort[1:] != cohort[:-1])]) if len(level) else measure
    head = starts_of(cell)
    size = np.diff(head, append=len(level))
    distance = np.abs(level - segment_medians(level, head)[cell])
    scale = _block_scale(distance, cell, block)
    spare = np.bincount(block) - np.bincount(block[head])
    bar = ODD_VAN * (1 + SMALL_SAMPLE / np.maximum(spare, 1)) * scale
    kept = (distance <= bar[block]) | _nearer_half(distance, cell, head, size)
    cells, blocks = len(head), int(block.max(initial=-1)) + 1
    n_kept = np.bincount(cell, weights=kept, minlength=cells).astype(np.int64)
    centre = segment_medians(level, head)
    mean = centre + np.bincount(cell, weights=kept * (level - centre[cell]), minlength=cells) / n_kept
    wide = size >= min_vans
    squares = np.bincount(block, weights=(kept & wide[cell]) * (level - mean[cell]) ** 2, minlength=blocks)
    df = np.bincount(block[head], weights=wide * (n_kept - 1), minlength=blocks).astype(np.int64)
    sigma = np.maximum(np.sqrt(squares / np.maximum(df, 1)), least_sigma[starts_of(block)])
    at = head[wide]
    return _Cohorts(at, block[at], size[wide], n_kept[wide], mean[wide], sigma[block[at]], df[block[at]])


def _nearer_half(distance: FloatArray, cell: IntArray, head: IntArray, size: IntArray) -> BoolArray:
    """Mark the half of each cohort (rounded up) nearest to its median."""
    order = np.lexsort((distance, cell))
    rank = np.empty(len(cell), np.int64)
    rank[order] = np.arange(len(cell)) - head[cell]
    return rank < (size[cell] + 1) // 2


def _block_scale(distance: FloatArray, cell: IntArray, block: IntArray) -> FloatArray:
    """Return 1.4826 x the median distance of vans from their cohort's median, per block.

    The nearest van of each cohort is left out: in odd cohorts its distance is zero by construction. A
    block in which most distances are zero (a coarse sensor) takes the median of the others.
    """
    nearest_first = np.lexsort((distance, cell))
    rest = np.setdiff1d(nearest_first, nearest_first[starts_of(cell)], assume_unique=True)
    scale = np.full(int(block.max(initial=-1)) + 1, np.inf)
    for part in (rest, rest[distance[rest] > 0]):
        starts = starts_of(block[part])
        if len(starts):
            owner = block[part][starts]
            found = segment_medians(distance[part], starts)
            scale[owner] = np.where(np.isinf(scale[owner]) | (scale[owner] == 0), found, scale[owner])
    return MAD_TO_SIGMA * scale


def _against_others(
    cohorts: _Cohorts, usable: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray, IntArray]:
    """Return difference, reference, standard error and number of usable other cohorts, per cohort.

    The variance of a median of K means lies between kappa_K times their mean variance, when their true
    values are equal, and the variance of the middle one, when those lie far apart; Cochran's Q over its
    degrees of freedom says how far to go from one to the other.
    """
    count = np.bincount(cohorts.block, minlength=int(cohorts.block.max(initial=-1)) + 1)
    starts = np.cumsum(count) - count
    wide = int(count.max(initial=1))
    position = starts[cohorts.block][:, None] + np.arange(wide)
    row = np.arange(len(cohorts.block))
    there = (np.arange(wide) < count[cohorts.block][:, None]) & (position != row[:, None])
    position = np.where(there, position, 0)
    if len(row):
        there &= usable[position]
    variance = cohorts.sigma**2 / cohorts.n_kept
    means = np.where(there, cohorts.mean[position] if len(row) else np.nan, np.inf)
    n = there.sum(axis=1)
    ranks = np.argsort(means, axis=1, kind="stable")
    last = np.maximum(n - 1, 0)
    middle = (last // 2, np.minimum(n // 2, last))
    pick = [np.take_along_axis(ranks, m[:, None], axis=1)[:, 0] for m in middle]
    chosen = [np.take_along_axis(position, x[:, None], axis=1)[:, 0] for x in pick]
    known = n > 0
    reference = np.where(known, (cohorts.mean[chosen[0]] + cohorts.mean[chosen[1]]) / 2, np.nan)
    apart = np.where(
        chosen[0] == chosen[1], variance[chosen[0]], (variance[chosen[0]] + variance[chosen[1]]) / 4
    )
    close, q = _close_variance(cohorts, variance, position, there, n)
    blend = np.minimum(1.0, (n - 1) / np.maximum(q, 1e-300))
    own = np.where(n >= 3, blend * close + (1 - blend) * apart, apart)
    error = np.where(known, np.sqrt(variance + own), np.nan)
    return cohorts.mean - reference, reference, error, n


def _close_variance(
    cohorts: _Cohorts, variance: FloatArray, position: IntArray, there: BoolArray, n: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return kappa_K x mean variance of the other cohorts, and their Q."""
    kappa = np.array(
        [1.0, 1.0, 0.5] + [load_scale_table().constants(k)[2] for k in range(3, there.shape[1] + 1)]
    )
    spread = np.where(there, variance[position], 0.0)
    precision = np.where(there & (spread > 0), 1.0 / np.where(spread > 0, spread, 1.0), 0.0)
    total = np.maximum(precision.sum(axis=1), 1e-300)
    means = cohorts.mean[position]
    middle = (precision * means).sum(axis=1) / total
    q = (precision * (means - middle[:, None]) ** 2).sum(axis=1)
    return kappa[n] * spread.sum(axis=1) / np.maximum(n, 1), q


def _interval_null(difference: FloatArray, error: FloatArray, cohorts: _Cohorts, margin: float) -> FloatArray:
    """Return the p-value of |difference| <= margin sigma; nan where nothing varies or there is no other."""
    usable = (error > 0) & (cohorts.df > 0)
    scale = np.where(usable, error, 1.0)
    t = np.abs(np.where(usable, difference, 0.0)) / scale
    shift = margin * cohorts.sigma / scale
    df = np.maximum(cohorts.df, 1)
    p = shifted_t_tail(t, df, shift) + shifted_t_tail(t, df, -shift)
    return np.where(usable, np.clip(p, 0.0, 1.0), np.nan)


def _most_extreme(block: IntArray, size: FloatArray, eligible: BoolArray) -> BoolArray:
    """Mark the eligible cohort of greatest `size` in each block."""
    ranked = np.where(eligible, size, -1.0)
    best = np.full(int(block.max(initial=-1)) + 1, -1.0)
    np.maximum.at(best, block, ranked)
    chosen: BoolArray = eligible & (ranked == best[block])
    return chosen


def _all_usual(block: IntArray, usual: BoolArray) -> BoolArray:
    """Mark the cohorts of blocks in which every cohort is usual."""
    odd = np.bincount(block, weights=~usual, minlength=int(block.max(initial=-1)) + 1)
    clean: BoolArray = odd[block] == 0
    return clean
