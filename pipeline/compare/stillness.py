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
    van: IntArray,
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
    group, van : (rows,) int
        Rows of one group are siblings: the same cohort, reading and reader. One row per van.
    chances, moved : (rows,) int
        Chances to move and those taken.
    is_still : (rows,) bool
        All values of the van lie within one step of the reading.
    min_siblings, min_chances : int
        Siblings needed, and chances each must have had.
    """
    p = np.full(len(group), np.nan)
    share = np.full(len(group), np.nan)
    n_siblings = np.zeros(len(group), dtype=np.int64)
    taken = (moved + 0.5) / (chances + 1.0)
    speaks = chances >= min_chances
    order = np.argsort(group, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
        for row in rows:
            others = rows[(van[rows] != van[row]) & speaks[rows]]
            n_siblings[row] = len(others)
            if len(others) < min_siblings:
                continue
            share[row] = np.quantile(taken[others], 0.25)
            p[row] = (1 - share[row]) ** chances[row] if is_still[row] else 1.0
    return Stillness(p, share, n_siblings)
