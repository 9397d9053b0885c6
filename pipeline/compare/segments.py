"""Medians of many short runs at once: rows sorted by group, one median per group."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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
