"""Lays cohorts of one size side by side and runs both passes on them: no loop over vans."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.scale import leave_one_out_median
from pipeline.compare.score_passes import describe_cohorts, describe_siblings, mark_suspects

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_CELLS_AT_ONCE = 400_000


@dataclass(frozen=True)
class Comparisons:
    """Every cell beside its siblings, before any variance is borrowed. Arrays of shape (cells,) unless said.

    Attributes
    ----------
    n_siblings
        Siblings with this reading, marked or not.
    sibling_median
        Their median; nan without any.
    n_clean, mean, s2, inverse_scans
        Number, mean, variance and mean 1 / m of the unmarked ones; nan where the cell is not compared.
    is_clean
        Pass 1 left the cell unmarked.
    is_compared
        The group was large enough for both passes.
    cohort_cell
        One cell of every compared group, shape (groups,).
    cohort_s2, cohort_vans
        Variance between the unmarked vans of that group and its size, shape (groups,).
    cohort
        Row of `cohort_cell` for every cell; -1 where not compared.
    """

    n_siblings: Ints
    sibling_median: Floats
    n_clean: Floats
    mean: Floats
    s2: Floats
    inverse_scans: Floats
    is_clean: Bools
    is_compared: Bools
    cohort_cell: Ints
    cohort_s2: Floats
    cohort_vans: Ints
    cohort: Ints


def compare_groups(
    group: Ints, y: Floats, m: Floats, resolution: Floats, min_siblings: int, suspect_p: float
) -> Comparisons:
    """Run pass 1 and describe the unmarked siblings of every cell.

    Parameters
    ----------
    group, y, m, resolution
        Group number, value, effective number of scans and smallest step of every cell, shape (cells,). y must be
        finite and m positive.
    min_siblings
        Smaller groups are counted but not compared.
    suspect_p
        Two-sided p-value of pass 1.
    """
    order = np.lexsort((m, y, group))
    _, starts, sizes = np.unique(group[order], return_index=True, return_counts=True)
    cells = len(group)
    n_siblings = np.zeros(cells, dtype=np.int64)
    n_siblings[order] = np.repeat(sizes - 1, sizes)
    median, n_clean, mean, s2, inverse_scans = (np.full(cells, np.nan) for _ in range(5))
    cohort = np.full(cells, -1, dtype=np.int64)
    is_unmarked = np.ones(cells, dtype=bool)
    cohort_cell, cohort_s2, cohort_vans = [], [], []
    found = 0
    for rows in _batches(order, starts, sizes):
        values = y[rows]
        if rows.shape[1] >= 2:
            median[rows] = leave_one_out_median(values)
        if rows.shape[1] <= min_siblings:
            continue
        is_clean = ~mark_suspects(values, resolution[rows[:, 0]], suspect_p)
        is_unmarked[rows] = is_clean
        siblings = describe_siblings(values, 1 / m[rows], is_clean)
        n_clean[rows], mean[rows], s2[rows] = siblings.n, siblings.mean, siblings.s2
        inverse_scans[rows] = siblings.inverse_scans
        cohort[rows] = found + np.arange(len(rows))[:, None]
        found += len(rows)
        cohort_cell.append(rows[:, 0])
        cohort_s2.append(describe_cohorts(values, is_clean)[0])
        cohort_vans.append(np.full(len(rows), rows.shape[1]))
    return Comparisons(
        n_siblings,
        median,
        n_clean,
        mean,
        s2,
        inverse_scans,
        is_unmarked,
        cohort >= 0,
        np.concatenate([np.zeros(0, dtype=np.int64), *cohort_cell]),
        np.concatenate([np.zeros(0), *cohort_s2]),
        np.concatenate([np.zeros(0, dtype=np.int64), *cohort_vans]),
        cohort,
    )


def _batches(order: Ints, starts: Ints, sizes: Ints) -> list[Ints]:
    """Return matrices of cell numbers, one row per group, all rows of a matrix being of one size."""
    batches = []
    for size in np.unique(sizes):
        first = starts[sizes == size]
        step = max(1, _CELLS_AT_ONCE // int(size) ** 2)
        for begin in range(0, len(first), step):
            batches.append(order[first[begin : begin + step, None] + np.arange(size)])
    return batches
