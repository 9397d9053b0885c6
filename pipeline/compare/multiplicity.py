"""Many comparisons at once: how many of those that stand out would stand out by chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
_LEAST_P = 1e-300  # keeps the tangent of the combination finite


def benjamini_hochberg(p: Floats) -> Floats:
    """Return the adjusted p-values (q) of the step-up procedure, q_i = min over k >= i of p_(k) N / k.

    Rejecting where q <= a keeps the expected share of false ones among the rejected at a or below.

    Parameters
    ----------
    p
        p-values, shape (N,); nan marks a comparison that was not made, it counts for nothing and stays nan.

    Returns
    -------
    q, shape (N,), between 0 and 1.

    Raises
    ------
    ValueError
        If a p-value lies outside 0 to 1.

    Notes
    -----
    Source: Benjamini and Hochberg 1995, Journal of the Royal Statistical Society B 57:289-300.
    """
    p = np.asarray(p, dtype=np.float64)
    made = np.flatnonzero(~np.isnan(p))
    tested = p[made]
    if np.any((tested < 0) | (tested > 1)):
        raise ValueError("a p-value lies between 0 and 1")
    q = np.full(p.shape, np.nan)
    order = np.argsort(tested, kind="stable")
    raised = tested[order] * tested.size / np.arange(1, tested.size + 1)
    lowest = np.minimum.accumulate(raised[::-1])[::-1]
    q[made[order]] = np.minimum(lowest, 1.0)
    return q


def combine_p(p: Floats, matter: Ints, matters: int) -> Floats:
    """Return one p-value for all comparisons of a matter, however they depend on one another.

    The mean of tan((1/2 - p) pi) over the matter is held against the Cauchy distribution; in the tail that keeps
    its level whatever the dependence, and one clear comparison carries the matter at about its size times its p.

    Parameters
    ----------
    p
        p-values, shape (N,), none missing.
    matter
        Number of the matter each belongs to, 0 to matters - 1, shape (N,); every matter has at least one.
    matters
        Number of matters.

    Returns
    -------
    Shape (matters,).

    Notes
    -----
    Source: Liu and Xie 2020, Journal of the American Statistical Association 115:393-402.
    """
    # 1 / tan(p pi) is the same and exact for small p, where 1/2 - p would round
    tangent = 1.0 / np.tan(np.clip(p, _LEAST_P, 1 - 1e-15) * np.pi)
    mean = np.bincount(matter, weights=tangent, minlength=matters) / np.bincount(matter, minlength=matters)
    combined = np.where(mean > 0, np.arctan2(1.0, mean), np.pi / 2 - np.arctan(mean)) / np.pi
    return np.asarray(np.clip(combined, 0.0, 1.0))


def adjust_by_matter(p: Floats, matter: Ints) -> tuple[Floats, Floats]:
    """Return the adjusted p-value of every comparison where several are one matter, and of the matters.

    What a person reads is a list of matters (one van, one reading), not of comparisons (each operating state).
    Benjamini-Hochberg over comparisons lets one fault that shows in three states pay three times, and the
    list then holds more false matters than it says. So matters are combined and selected first. A selected matter
    is told by its clearest comparison; another one of it must stand by itself at the level that selected it: with
    R of M matters selected at level a, its Benjamini-Hochberg value within the matter is at most a R / M. Where every comparison is a matter of its own this is plain Benjamini-Hochberg.

    Parameters
    ----------
    p
        p-values, shape (N,), none missing.
    matter
        Number of the matter each belongs to, any integers, shape (N,).

    Returns
    -------
    q of the comparisons, shape (N,), the smallest level at which each is rejected; q of the matters in rising order
    of their number, shape (M,).

    Notes
    -----
    Source: Benjamini and Bogomolov 2014, Journal of the Royal Statistical Society B 76:297-318.
    """
    if not len(p):
        return np.zeros(0), np.zeros(0)
    _, number = np.unique(matter, return_inverse=True)
    matters = int(number.max()) + 1
    q_matter = benjamini_hochberg(combine_p(p, number, matters))
    levels, counts = np.unique(q_matter, return_counts=True)
    selected = np.cumsum(counts)
    # From level k up to the next, `selected[k]` matters are in: the bar rises to this before the next one joins.
    highest = np.append(levels[1:], np.inf) * selected / matters
    within, is_clearest = _adjust_within(p, number)
    step = np.minimum(np.searchsorted(highest, within, side="left"), len(levels) - 1)
    by_itself = np.maximum(levels[step], within * matters / selected[step])
    q = np.where(is_clearest, q_matter[number], np.maximum(q_matter[number], by_itself))
    return np.minimum(q, 1.0), q_matter


def matter_cutoff(q_matter: Floats, matter: Ints, q_level: float) -> Floats:
    """Return the p-value at or below which a comparison, its fellows being quiet, is rejected at q_level.

    With R of M matters rejected a matter of one comparison must reach R q_level / M, one of n comparisons the
    n-th part. With none it is q_level / M, which a single van would have to reach.

    Parameters
    ----------
    q_matter
        Second result of `adjust_by_matter`, shape (M,).
    matter
        Number of the matter of every comparison, shape (N,).
    q_level
        False discovery rate allowed.

    Returns
    -------
    Shape (N,).
    """
    if not len(q_matter):
        return np.zeros(0)
    _, number = np.unique(matter, return_inverse=True)
    rejected = int(np.count_nonzero(q_matter <= q_level))
    return np.asarray(max(rejected, 1) * q_level / len(q_matter) / np.bincount(number)[number])


def _adjust_within(p: Floats, number: Ints) -> tuple[Floats, Bools]:
    """Benjamini-Hochberg within every matter at once, and which comparison is the clearest of its matter."""
    order = np.lexsort((p, number))
    row, size = number[order], np.bincount(number)
    rank = np.arange(len(p)) - (np.cumsum(size) - size)[row]
    table = np.full((len(size), int(size.max())), np.inf)
    table[row, rank] = p[order] * size[row] / (rank + 1)
    lowest = np.minimum.accumulate(table[:, ::-1], axis=1)[:, ::-1]
    within, is_clearest = np.empty(len(p)), np.zeros(len(p), dtype=bool)
    within[order] = lowest[row, rank]
    is_clearest[order] = rank == 0
    return within, is_clearest
