"""Medians of runs against numpy's."""

from __future__ import annotations

import numpy as np

from pipeline.compare.segments import blocks, runs_of_one_length, segment_medians, starts_of


def test_medians_equal_numpys() -> None:
    rng = np.random.default_rng(1)
    code = np.sort(rng.integers(0, 60, 500))
    value = np.round(rng.standard_normal(500), 1)
    starts = starts_of(code)
    expected = [np.median(value[code == c]) for c in np.unique(code)]
    assert np.array_equal(segment_medians(value, starts), expected)
    assert np.array_equal(code[starts], np.unique(code))


def test_nothing_gives_nothing() -> None:
    assert len(segment_medians(np.empty(0), starts_of(np.empty(0, np.int64)))) == 0


def test_runs_of_one_length_and_blocks_leave_nothing_out() -> None:
    cell = np.array([0, 0, 0, 1, 2, 2, 2, 3, 3, 3, 3])
    found = [(cells.tolist(), rows.tolist()) for cells, rows in runs_of_one_length(cell, 5)]
    assert found == [([0, 2], [[0, 1, 2], [4, 5, 6]]), ([3], [[7, 8, 9, 10]])]
    for each in (1, 7_000, 10**6):
        parts = [np.arange(23)[block] for block in blocks(23, each)]
        assert np.concatenate(parts).tolist() == list(range(23))
        assert max(map(len, parts)) <= max(50_000 // each, 1)
