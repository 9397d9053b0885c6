"""Many short runs at once: rows sorted by group, runs of one length side by side, one median per group."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_MOST_VALUES = 50_000  # at a time: as many as the processor's own memory holds


def runs_of_one_length(cell: Ints, cells: int, least: int = 3) -> Iterator[tuple[Ints, Ints]]:
    """Yield cells with equally many rows, shape (k,), with the rows of each, shape (k, n).

    Parameters
    ----------
    cell : (rows,) int
        Cell of each row, from 0, in order.
    cells : int
        Number of cells.
    least : int
        Cells with fewer rows are left out.
    """
    counts = np.bincount(cell, minlength=cells)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    for n in np.unique(counts[counts >= least]):
        members = np.flatnonzero(counts == n)
        yield members, starts[members][:, None] + np.arange(n)


def blocks(rows: int, each: int) -> Iterator[slice]:
    """Yield all of some rows, few enough at a time where each needs room for so many values."""
    step = max(_MOST_VALUES // each, 1)
    return (slice(first, first + step) for first in range(0, rows, step))


def starts_of(sorted_codes: Ints) -> Ints:
    """Return the first position of each run of equal codes, shape (runs,)."""
    if not len(sorted_codes):
        return np.empty(0, np.int64)
    return np.flatnonzero(np.r_[True, sorted_codes[1:] != sorted_codes[:-1]])


def segment_medians(values: Floats, starts: Ints) -> Floats:
    """Return the median of every run of `values`.

    Parameters
    ----------
    values : (n,) float
        Finite values, the members of a run side by side.
    starts : (runs,) int
        First position of each run, rising from 0; no run is empty.

    Notes
    -----
    Runs of one length are the rows of a matrix, so the work is one partition per length that occurs.
    """
    size = np.diff(starts, append=len(values))
    result = np.empty(len(starts))
    for length in np.unique(size):
        which = np.flatnonzero(size == length)
        block = values[starts[which][:, None] + np.arange(length)]
        low, high = (length - 1) // 2, length // 2
        block.partition((low, high), axis=1)
        result[which] = (block[:, low] + block[:, high]) / 2
    return result
