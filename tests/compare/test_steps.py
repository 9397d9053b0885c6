"""Where the step of a series is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.compare import steps
from pipeline.compare.serial import fit_lines


def _locate(cell: np.ndarray, time: np.ndarray, value: np.ndarray) -> steps.Steps:
    return steps.locate_step(cell, fit_lines(cell, time, value, int(cell.max()) + 1))


def test_the_step_of_least_squares_is_found() -> None:
    """Second implementation: try every place."""
    rng = np.random.default_rng(8)
    value = np.concatenate([rng.normal(0, 1, 11), rng.normal(3, 1, 6)])
    left = [np.var(value[:k]) * k + np.var(value[k:]) * (len(value) - k) for k in range(1, len(value))]
    found = _locate(np.zeros(17, dtype=np.int64), np.arange(17.0), value)
    assert found.last_before[0] == int(np.argmin(left)) == 10
    assert found.size[0] == pytest.approx(value[11:].mean() - value[:11].mean())
    line = stats.linregress(np.arange(17), value)
    over = np.sum((value - line.intercept - line.slope * np.arange(17)) ** 2)
    assert found.beats_line[0] == pytest.approx(over / min(left))


def test_a_ramp_is_no_step() -> None:
    value = np.arange(18.0) + np.random.default_rng(9).normal(size=18)
    assert _locate(np.zeros(18, dtype=np.int64), np.arange(18.0), value).beats_line[0] < 1


def test_cells_are_apart_and_short_ones_left_out() -> None:
    cell = np.array([0, 1, 1, 1, 1])
    found = _locate(cell, np.array([0.0, 0, 1, 2, 3]), np.array([9.0, 1, 1, 5, 5]))
    assert found.last_before.tolist() == [-1, 2]
    assert np.isnan(found.size[0])
    assert found.size[1] == 4
