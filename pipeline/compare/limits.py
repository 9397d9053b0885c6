"""A reader's own limits against the whole cohort: when most vans lie outside, the limit is doubted first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.intervals import wilson
from pipeline.compare.segments import segment_medians, starts_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
StrArray = NDArray[np.str_]

ROUNDING = 1e-9  # a value on its limit stays inside after both were converted
BOTH_SIDES_SHARE = 0.2  # of the vans outside; common practice, no source


@dataclass(frozen=True)
class OutsideCounts:
    """Vans outside a limit, one entry per group (cohort x measure x reader x limit), shape (groups,).

    `group` is the caller's code. `n_scans` counts the scans that could be judged.
    """

    group: IntArray
    n_vans: IntArray
    n_outside: IntArray
    n_above: IntArray
    n_below: IntArray
    n_scans: IntArray


@dataclass(frozen=True)
class LimitVerdicts:
    """What the counts say of each limit, shape (groups,).

    `share` of vans outside with its Wilson interval `low` to `high`; `tier`; `side` on which they lie:
    'above', 'below', 'both', or '' where none does.
    """

    share: FloatArray
    low: FloatArray
    high: FloatArray
    tier: StrArray
    side: StrArray


def count_outside(
    group: ArrayLike, van: ArrayLike, value: ArrayLike, low: ArrayLike, high: ArrayLike, mark: ArrayLike
) -> OutsideCounts:
    """Count the vans outside a reader's own limit, the van as the unit.

    A van is outside where the median of its scan levels lies beyond a limit, or where the reader marked
    more than half of its scans so. Values on a limit are inside.

    Parameters
    ----------
    group, van : (n,) int
        Codes; one row per scan of one measure.
    value : (n,) float
        Scan levels, as read: the reader's limit speaks of what it shows, so nothing is taken out.
    low, high : (n,) float
        The reader's limits in the same unit, nan where there is none. Where they differ between the scans
        of a van, the medians count.
    mark : (n,) int
        What the reader showed: -1 low, 0 within, 1 high, 2 outside without a side, other values none.

    Returns
    -------
    OutsideCounts
        Groups in rising order; groups in which nothing could be judged are left out. A van marked
        'outside' without a side, its level not beyond a known limit, counts as outside on no side.
    """
    codes = [np.asarray(x, dtype=np.int64) for x in (group, van, mark)]
    numbers = [np.asarray(x, dtype=np.float64) for x in (value, low, high)]
    if len({x.shape for x in (*codes, *numbers)}) > 1:
        raise ValueError("all arrays must have one length")
    marked = np.isin(codes[2], (-1, 0, 1, 2))
    kept = np.isfinite(numbers[0]) & (marked | np.isfinite(numbers[1]) | np.isfinite(numbers[2]))
    codes, numbers, marked = [x[kept] for x in codes], [x[kept] for x in numbers], marked[kept]
    order = np.lexsort((codes[1], codes[0]))
    (group_s, van_s, mark_s), marked = [x[order] for x in codes], marked[order]
    value_s, low_s, high_s = (x[order] for x in numbers)
    new = (group_s[1:] != group_s[:-1]) | (van_s[1:] != van_s[:-1])
    cell = np.cumsum(np.r_[0, new]) if len(order) else group_s
    starts = starts_of(cell)
    level = segment_medians(value_s, starts)
    ceiling, floor = (_known_medians(x, cell, len(starts)) for x in (high_s, low_s))
    above = level > ceiling + ROUNDING * np.abs(ceiling)
    below = level < floor - ROUNDING * np.abs(floor)
    n_marked = np.bincount(cell, weights=marked, minlength=len(starts))
    counts = [np.bincount(cell, weights=mark_s == m, minlength=len(starts)) for m in (1, -1, 2)]
    is_marked = 2 * (counts[0] + counts[1] + counts[2]) > np.maximum(n_marked, 1)
    sided = is_marked & ~(above | below)
    above |= sided & (counts[0] > counts[1])
    below |= sided & (counts[1] > counts[0])
    return _sum_groups(
        group_s[starts], above | below | is_marked, above, below, np.diff(starts, append=len(cell))
    )


def _known_medians(values: FloatArray, cell: IntArray, cells: int) -> FloatArray:
    """Return the median of each cell's finite values, nan where it has none."""
    known = np.isfinite(values)
    found = np.full(cells, np.nan)
    starts = starts_of(cell[known])
    if len(starts):
        found[cell[known][starts]] = segment_medians(values[known], starts)
    return found


def _sum_groups(
    group: IntArray,
    outside: NDArray[np.bool_],
    above: NDArray[np.bool_],
    below: NDArray[np.bool_],
    scans: IntArray,
) -> OutsideCounts:
    """Add up vans by group; `group` (vans,) is sorted."""
    known, number = np.unique(group, return_inverse=True)
    n = len(known)
    sums = [
        np.bincount(number, weights=w, minlength=n).astype(np.int64)
        for w in (np.ones(len(group)), outside, above, below, scans)
    ]
    return OutsideCounts(known, *sums)


def judge_limits(
    n_vans: ArrayLike,
    n_outside: ArrayLike,
    n_above: ArrayLike,
    n_below: ArrayLike,
    *,
    suspect_share: float = 0.70,
    min_vans: int = 3,
    finding_vans: int = 5,
    confidence: float = 0.95,
) -> LimitVerdicts:
    """Say whether a limit is doubtful for a cohort.

    When a whole cohort lies outside a reader's limit, the limit (made for another engine, unit or state)
    is likelier to be wrong than all the vans. That is a reason to check the limit, not a proof that the
    vans are sound.

    Parameters
    ----------
    n_vans, n_outside, n_above, n_below : (groups,) int
        Vans looked at, outside, above and below; from `count_outside` or the mart `limit_shares`.
    suspect_share : float
        Share of vans outside above which the limit is suspect (a setting).
    min_vans, finding_vans : int
        Vans needed to say anything, and for the tier 'finding'.
    confidence : float
        Of the interval of the share.

    Returns
    -------
    LimitVerdicts
        Tier 'finding': share above `suspect_share` among at least `finding_vans` vans; 'likely': the same
        among at least `min_vans`; 'watch': more than half of those; 'none' otherwise;
        'not_enough_evidence' below `min_vans`.
    """
    vans, outside, above, below = (
        np.atleast_1d(np.asarray(x, dtype=np.int64)) for x in (n_vans, n_outside, n_above, n_below)
    )
    low, high = wilson(outside, vans, confidence)
    share = outside / np.maximum(vans, 1)
    suspect = share > suspect_share
    tier = np.select(
        [vans < min_vans, suspect & (vans >= finding_vans), suspect, share > 0.5],
        ["not_enough_evidence", "finding", "likely", "watch"],
        "none",
    )
    sided = np.maximum(above + below, 1)
    both = np.minimum(above, below) > BOTH_SIDES_SHARE * sided
    side = np.select([above + below == 0, both, above > below], ["", "both", "above"], "below")
    return LimitVerdicts(share, low, high, tier, side)


@dataclass(frozen=True)
class Agreement:
    """How closely the vans of each group agree, shape (groups,).

    `n_within` of `n_vans` vans lie within `within` (unit of the measure) of the group's `median`; `percent` is
    that as a share of the median's size, nan where the median is not clear of zero.
    """

    group: IntArray
    median: FloatArray
    within: FloatArray
    percent: FloatArray
    n_within: IntArray
    n_vans: IntArray


def spread_of_siblings(group: ArrayLike, level: ArrayLike, share: float = 0.8) -> Agreement:
    """Return within what distance of their median most vans of a group lie.

    Parameters
    ----------
    group : (vans,) int
        Codes, one row per van.
    level : (vans,) float
        The vans' levels, finite.
    share : float
        Share of the vans that must lie within, rounded up to whole vans; below 1 so that one odd van
        does not speak for all.

    Notes
    -----
    `percent` makes sense only for quantities with a true zero (pressures, masses, volts); for temperatures and
    deviations the caller should show `within` in its unit.
    """
    code, value = np.asarray(group, dtype=np.int64), np.asarray(level, dtype=np.float64)
    order = np.argsort(code, kind="stable")
    code, value = code[order], value[order]
    starts = starts_of(code)
    size = np.diff(starts, append=len(code))
    number = np.repeat(np.arange(len(starts)), size)
    median = segment_medians(value, starts)
    distance = np.abs(value - median[number])
    ranked = distance[np.lexsort((distance, number))]
    needed = np.ceil(share * size - 1e-9).astype(np.int64)
    within = ranked[starts + np.maximum(needed, 1) - 1]
    slack = within * (1 + 1e-12)
    n_within = np.bincount(number, weights=distance <= slack[number], minlength=len(starts)).astype(np.int64)
    clear = np.abs(median) > 2 * within
    percent = np.where(clear, 100 * within / np.where(clear, np.abs(median), 1.0), np.nan)
    return Agreement(code[starts], median, within, percent, n_within, size)
