"""Readings that stand still on one van while they move on its siblings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Stillness:
    """How unlikely it is that a van's reading stood still by chance, row by row.

    Parameters
    ----------
    p : (rows,) float
        Chance that a sibling would not have moved either; 1 where the van moved, nan where fewer than
        `min_siblings` siblings had such chances.
    share : (rows,) float
        Lower quartile of the siblings' shares of chances taken; nan as above.
    n_siblings : (rows,) int
        Siblings with enough chances.
    """

    p: FloatArray
    share: FloatArray
    n_siblings: IntArray


def judge_stillness(
    group: IntArray,
    chances: IntArray,
    moved: IntArray,
    is_still: BoolArray,
    *,
    min_siblings: int = 3,
    min_chances: int = 3,
) -> Stillness:
    """Judge rows of one kind of chance: p = (1 - q)^chances for a van that never moved.

    q is the lower quartile over siblings of (moved + 1/2) / (chances + 1), so that a quarter of the siblings
    may hardly move, or be stuck themselves, before the others speak. The chances are taken for independent.

    Parameters
    ----------
    group : (rows,) int
        Rows of one group are siblings: the same cohort, reading and reader. One row per van.
    chances, moved : (rows,) int
        Chances to move and those taken.
    is_still : (rows,) bool
        All values of the van lie within one step of the reading.
    min_siblings, min_chances : int
        Siblings needed, and chances each must have had.
    """
    if not len(group):
        return Stillness(np.zeros(0), np.zeros(0), np.zeros(0, np.int64))
    speaks = chances >= min_chances
    share, n_siblings = _quartile_of_others(group, (moved + 0.5) / (chances + 1.0), speaks)
    share[n_siblings < min_siblings] = np.nan
    p = np.where(is_still, (1 - share) ** chances, 1.0)
    p[np.isnan(share)] = np.nan
    return Stillness(p, share, n_siblings)


def _quartile_of_others(group: IntArray, taken: FloatArray, speaks: BoolArray) -> tuple[FloatArray, IntArray]:
    """Lower quartile of `taken` over those of a row's group that speak, the row itself left out, and how many they are.

    Linear between order statistics. Those who speak stand sorted, group by group; leaving out the one in place r
    moves every later one a place forward.
    """
    rank = np.lexsort((taken, ~speaks, group))
    n_rows = np.bincount(group)
    start = np.cumsum(n_rows) - n_rows
    place = np.empty(len(group), np.int64)
    place[rank] = np.arange(len(group))
    place -= start[group]
    n_others = np.bincount(group, speaks).astype(np.int64)[group] - speaks
    at = np.maximum(n_others - 1, 0) * 0.25
    ordered = taken[rank]

    def other(number: IntArray) -> FloatArray:
        skipped = number + (speaks & (number >= place))
        found: FloatArray = ordered[np.minimum(start[group] + skipped, len(ordered) - 1)]
        return found

    below = np.floor(at).astype(np.int64)
    low, high = other(below), other(np.minimum(below + 1, np.maximum(n_others - 1, 0)))
    return low + (high - low) * (at - below), n_others
