"""Did the work on a van move its reading back to its siblings: difference in differences, one case per reading.

A case is one piece of work x one reading in one state. Its van's change, mean after less mean before, is set against
the changes of siblings without such work over the same dates. The same arithmetic sets the van's means before and
after against theirs. Assumed: without the work the van would have moved as its siblings did (common trend), and
season and readers are taken off beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.distributions import t_quantile, t_tail
from pipeline.compare.moderation import fit_prior, log_chi_square_moments, moderate
from pipeline.compare.score_passes import (
    LOWEST_LOG,
    Siblings,
    mark_suspects,
    set_against_siblings,
    trimmed_log_moments,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LEAST_SIBLINGS = 3
MOST_DF = 1e6  # beyond this a t distribution is a normal one
MOST_GAIN = 4.0
_SMALLEST_MARKED = 4  # below so many vans nobody can be told apart as odd


@dataclass(frozen=True)
class Members:
    """The vans a case is held against: its siblings (group 0) and cohorts that lend their variance (1, 2 ...).

    Parameters
    ----------
    case, group : (k,) int
        Case a member belongs to, and its group within it.
    value : (k,) float
        Its mean, or its change, in the reading's unit.
    inverse_scans : (k,) float
        1 / scans behind the value; for a change 1 / before + 1 / after.
    """

    case: Ints
    group: Ints
    value: Floats
    inverse_scans: Floats


@dataclass(frozen=True)
class Against:
    """Vans against their siblings, shape (cases,); nan where fewer than three siblings are left.

    `expected` is the siblings' mean, `difference` the van less it with its 95 % interval `low` to `high`, and
    `sibling_low` to `sibling_high` where a healthy sibling with as many scans falls 95 times in 100. `between` is
    the variance between siblings that is not scatter of single scans. `n_siblings` counts all, `n_clean` those not
    odd themselves.
    """

    expected: Floats
    difference: Floats
    low: Floats
    high: Floats
    t: Floats
    df: Floats
    p: Floats
    spread: Floats
    sibling_low: Floats
    sibling_high: Floats
    between: Floats
    n_siblings: Ints
    n_clean: Floats


@dataclass(frozen=True)
class _Groups:
    """Groups of members side by side: whose they are, how many, and their unmarked part described."""

    case: Ints
    group: Ints
    size: Ints
    clean: Floats
    mean: Floats
    s2: Floats
    inverse_scans: Floats


def window_means(
    series: Ints, at: Ints, value: Floats, wanted: Ints, start: Ints, end: Ints
) -> tuple[Ints, Floats]:
    """Return number and mean of the values of a series from `start` on and before `end`, many windows at once.

    Parameters
    ----------
    series, at, value : (n,)
        Series number from 0, time as a whole number from 0, and value of every scan; any order.
    wanted, start, end : (w,)
        Series of each window and its ends, in the same unit as `at`.

    Returns
    -------
    n : (w,) int
    mean : (w,) float
        nan where no scan lies in the window.
    """
    span = int(max(at.max(initial=0), start.max(initial=0), end.max(initial=0))) + 2
    key = series * span + at
    order = np.argsort(key, kind="stable")
    sorted_key = key[order]
    # Sums are kept about the common mean, so that nothing is lost to a large level.
    centre = float(value.mean()) if len(value) else 0.0
    running = np.append(0.0, np.cumsum(value[order] - centre))
    first = np.searchsorted(sorted_key, wanted * span + np.clip(start, 0, span - 1))
    last = np.maximum(np.searchsorted(sorted_key, wanted * span + np.clip(end, 0, span - 1)), first)
    n = last - first
    mean = np.full(len(wanted), np.nan)
    np.divide(running[last] - running[first], n, out=mean, where=n > 0)
    return n, mean + centre


def _describe(members: Members, floor: Floats, suspect_p: float) -> _Groups:
    """Mark odd members of every group and describe the rest; groups of one size are the rows of a matrix."""
    order = np.lexsort((members.inverse_scans, members.value, members.group, members.case))
    case, group = members.case[order], members.group[order]
    new = np.ones(len(order), np.bool_)
    new[1:] = (case[1:] != case[:-1]) | (group[1:] != group[:-1])
    starts = np.flatnonzero(new)
    size = np.diff(starts, append=len(order))
    clean, mean, s2, inverse = (np.full(len(starts), np.nan) for _ in range(4))
    for n in np.unique(size):
        rows = np.flatnonzero(size == n)
        cells = order[starts[rows][:, None] + np.arange(n)]
        values = members.value[cells]
        kept = np.ones(values.shape, np.bool_)
        if n >= _SMALLEST_MARKED:
            kept = ~mark_suspects(values, floor[case[starts[rows]]] * np.sqrt(12.0), suspect_p)
        weight = kept.astype(np.float64)
        total = weight.sum(axis=1)
        middle = (weight * values).sum(axis=1) / total
        squares = (weight * (values - middle[:, None]) ** 2).sum(axis=1)
        clean[rows], mean[rows] = total, middle
        s2[rows] = squares / np.maximum(total - 1, 1)
        inverse[rows] = (weight * members.inverse_scans[cells]).sum(axis=1) / total
    return _Groups(case[starts], group[starts], size, clean, mean, s2, inverse)


def _log_moments(size: Ints) -> tuple[Floats, Floats]:
    """Moments of the logarithm of a group's variance by sampling alone, marked groups by simulation."""
    plain_mean, plain_variance = log_chi_square_moments(np.maximum(size - 1, 1).astype(np.float64))
    mean, variance = trimmed_log_moments(np.maximum(size, _SMALLEST_MARKED))
    is_marked = size >= _SMALLEST_MARKED
    return np.where(is_marked, mean, plain_mean), np.where(is_marked, variance, plain_variance)


def set_against(
    value: Floats,
    inverse_scans: Floats,
    members: Members,
    w2: Floats,
    floor: Floats,
    stands_in: Bools,
    *,
    suspect_p: float = 0.005,
    confidence: float = 0.95,
) -> Against:
    """Set every case's van against its siblings, with variance borrowed from the cohorts that lend it.

    Parameters
    ----------
    value, inverse_scans : (cases,) float
        The van's own mean or change, nan where it has none, and 1 / scans behind it.
    members : Members
        Siblings and lending cohorts, the van itself not among them.
    w2 : (cases,) float
        Pooled variance of one scan within a van.
    floor : (cases,) float
        Least standard deviation the reading's resolution allows: resolution / sqrt(12).
    stands_in : (cases,) bool
        The siblings come from all model years: their variance is never moderated downwards.
    suspect_p : float
        Two-sided p-value at which a sibling is taken for odd itself and left out.

    Notes
    -----
    With one sibling scan each side, no lender and nothing marked this is t of a single case against n controls
    (Crawford and Howell 1998) on the changes. Variances: `moderation.moderate` (Smyth 2004), each case with its
    lenders being one measure; spread: `score_passes.set_against_siblings`. p is read off Student's t, which unlike
    the score's is not calibrated further: with one van asked about its type I error stays within 3 to 7 %
    (`tests/benchmarks/repairs.py`).
    """
    cases = len(value)
    groups = _describe(members, floor, suspect_p)
    lends = (groups.size >= LEAST_SIBLINGS) & ~((groups.group == 0) & stands_in[groups.case])
    s2 = np.maximum(groups.s2, floor[groups.case] ** 2)
    log_mean, log_variance = _log_moments(groups.size[lends])
    prior = fit_prior(s2[lends], groups.case[lends], cases, log_mean, log_variance, 3, LOWEST_LOG)

    own = np.flatnonzero((groups.group == 0) & (groups.size >= LEAST_SIBLINGS))
    at = groups.case[own]
    siblings = Siblings(groups.clean[own], groups.mean[own], groups.s2[own], groups.inverse_scans[own])
    d0 = np.where(prior.is_pooled[at], prior.d0, 0.0)
    variance = moderate(siblings.s2, siblings.n - 1, prior.s02[at], d0)
    variance = np.maximum(variance, floor[at] ** 2)
    variance = np.where(stands_in[at], np.maximum(variance, siblings.s2), variance)
    found = set_against_siblings(value[at], inverse_scans[at], siblings, variance, d0, w2[at])
    df = _combined_df(found.df, found.spread, variance, found.between, siblings.n)
    reach = t_quantile(0.5 + confidence / 2, df) * found.spread
    difference = value[at] - siblings.mean
    p = 2 * t_tail(np.abs(found.t), df)
    sizes = np.zeros(cases, np.int64)
    sizes[groups.case[groups.group == 0]] = groups.size[groups.group == 0]

    def spread_out(values: Floats) -> Floats:
        whole = np.full(cases, np.nan)
        whole[at] = values
        return whole

    return Against(
        expected=spread_out(siblings.mean),
        difference=spread_out(difference),
        low=spread_out(difference - reach),
        high=spread_out(difference + reach),
        t=spread_out(found.t),
        df=spread_out(df),
        p=spread_out(p),
        spread=spread_out(found.spread),
        sibling_low=spread_out(siblings.mean - reach),
        sibling_high=spread_out(siblings.mean + reach),
        between=spread_out(found.between),
        n_siblings=sizes,
        n_clean=spread_out(siblings.n),
    )


def _combined_df(df: Floats, spread: Floats, variance: Floats, between: Floats, n: Floats) -> Floats:
    """Degrees of freedom of a spread of which only the siblings' variance is estimated from few vans.

    The scatter of single scans is pooled over the whole fleet and taken as known, so the spread is less uncertain
    than the siblings' variance alone: (spread^2 / estimated part)^2 as many (Satterthwaite 1946). At most
    `MOST_GAIN` times as many: three siblings that agree by chance do not prove that vans move alike (proposal,
    tuned to the type I error).
    """
    estimated = variance * (np.where(between > 0, 1.0, 0.0) + 1 / n)
    ratio = np.divide(spread**2, estimated, out=np.ones_like(spread), where=estimated > 0)
    return cast(Floats, np.clip(df * np.minimum(np.maximum(ratio, 1.0) ** 2, MOST_GAIN), 1.0, MOST_DF))


def expected_return(difference: Floats, between: Floats, w2: Floats, n_scans: Floats) -> Floats:
    """Return how far a van's mean would move back by itself: regression to the mean.

    -difference x (w2 / n) / (between + w2 / n): the part of what was seen before the work that single scans
    scattering explain, if the van is one of its siblings. Holds whatever made somebody choose the van, as long as
    only the scans before the work did.

    Parameters
    ----------
    difference : (cases,) float
        Mean before the work less the siblings'.
    between, w2 : (cases,) float
        Variance between siblings, and of one scan within a van.
    n_scans : (cases,) float
        Scans before the work.

    Notes
    -----
    Source: James and Stein's shrinkage as in Davis 1976, American Journal of Epidemiology 104:493-498.
    """
    own = w2 / np.maximum(n_scans, 1.0)
    total = between + own
    share = np.divide(own, total, out=np.ones_like(own), where=total > 0)
    return -difference * share
