"""Medians of runs against numpy's."""

from __future__ import annotations

import numpy as np

from pipeline.compare.segments import segment_medians, starts_of


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
