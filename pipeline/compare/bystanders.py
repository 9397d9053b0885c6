"""Vans that stand out only because a sibling that stands out more is part of what they are held against.

Pass 1 cannot tell the odd one out of four or five vans whose values lie in two heaps, so a van far off stays in its
siblings' reference, pulls their mean and makes healthy ones look odd on the other side. Once that van is named it
is no yardstick any more: its siblings are held against the rest once again. Only for the worse: a van keeps the score
that accuses it less, so nobody is named by this step, and the false discovery rate can only fall.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.score_batches import Comparisons
from pipeline.compare.score_passes import Siblings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class SecondLook:
    """Cells to be held against fewer siblings.

    Attributes
    ----------
    at
        The cells, among all cells with a value, shape (k,).
    siblings
        Their siblings without those named, shape (k,).
    n_siblings
        How many siblings are left, marked ones among them, shape (k,).
    """

    at: Ints
    siblings: Siblings
    n_siblings: Floats


def leave_out_named(
    found: Comparisons,
    group: Ints,
    y: Floats,
    m: Floats,
    p: Floats,
    is_named: Bools,
    is_suspect: Bools,
    least: int,
    most: int,
) -> SecondLook:
    """Return suspects that have a clearer named sibling in their reference, and their siblings without it.

    Parameters
    ----------
    found
        Both passes on these cells.
    group, y, m
        Group, value and effective number of scans of every cell, shape (cells,).
    p
        Calibrated p-values, shape (cells,); nan where not judged.
    is_named
        Cells named as findings, shape (cells,).
    is_suspect
        Cells whose tier rests on the reference, shape (cells,).
    least
        With fewer unmarked siblings left, the first look stands.
    most
        How many of the clearest named vans of a group are left out.
    """
    at: list[int] = []
    n, mean, s2, scans, left = ([] for _ in range(5))
    for number in np.unique(group[is_named & found.is_clean]):
        members = np.flatnonzero(group == number)
        members = members[np.argsort(np.where(is_named[members], p[members], 2.0), kind="stable")]
        is_first = np.arange(len(members)) < most
        for cell in members[is_suspect[members]]:
            clearer = is_first & is_named[members] & (p[members] < p[cell])
            rest = members[found.is_clean[members] & ~clearer & (members != cell)]
            dropped = int(np.count_nonzero(clearer & found.is_clean[members]))
            if not dropped or len(rest) < least:
                continue
            at.append(int(cell))
            n.append(len(rest))
            mean.append(y[rest].mean())
            s2.append(y[rest].var(ddof=1))
            scans.append((1 / m[rest]).mean())
            left.append(len(members) - 1 - dropped)
    order = np.argsort(np.array(at, dtype=np.int64), kind="stable")
    described = Siblings(*(np.array(values, dtype=np.float64)[order] for values in (n, mean, s2, scans)))
    return SecondLook(np.array(at, dtype=np.int64)[order], described, np.array(left, dtype=np.float64)[order])
