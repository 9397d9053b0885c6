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

BOTH_SIDES_SHARE = 0.2  # of the vans outside; common practice, no source


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
        Vans looked at, outside, above and below; as the mart `limit_shares` counts them.
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
