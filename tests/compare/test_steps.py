"""Where the step of a series is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.compare import steps
from pipeline.compare.serial import fit_lines


def _locate(cell: np.ndarray, time: np.ndarray, value: np.ndarray) -> steps.Steps:
    return steps.locate_step(
        cell, fit_lines(cell, time, value, int(cell.max()) + 1), np.zeros(int(cell.max()) + 1)
    )


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


def test_the_error_of_a_step_is_that_of_two_means() -> None:
    """Without serial correlation the pooled t test's (scipy), one degree of freedom less for the place."""
    rng = np.random.default_rng(4)
    value = np.concatenate([rng.normal(0, 1, 9), rng.normal(4, 1, 5)])
    found = _locate(np.zeros(14, dtype=np.int64), np.arange(14.0), value)
    test = stats.ttest_ind(value[9:], value[:9])
    assert found.last_before[0] == 8
    assert found.share_before[0] == pytest.approx(9 / 14)
    assert found.size[0] / found.error[0] == pytest.approx(test.statistic)
    assert found.df[0] == test.df - 1


def test_serial_correlation_widens_the_error_of_a_step() -> None:
    """Second implementation: the same by whole matrices, months missing."""
    rng = np.random.default_rng(5)
    time = np.array([0.0, 1, 2, 4, 5, 6, 7, 9, 10, 11])
    value = rng.normal(size=10) + 5.0 * (np.arange(10) >= 6)
    rho = 0.4
    cells = np.zeros(10, dtype=np.int64)
    found = steps.locate_step(cells, fit_lines(cells, time, value, 1), np.array([rho]))
    sides = np.column_stack([np.arange(10) < 6, np.arange(10) >= 6]).astype(float)
    taken_off = np.eye(10) - sides @ np.linalg.pinv(sides)
    alike = rho ** np.abs(np.subtract.outer(time, time))
    variance = value @ taken_off @ value / np.trace(taken_off @ alike @ taken_off)
    contrast = sides[:, 1] / 4 - sides[:, 0] / 6
    assert found.error[0] == pytest.approx(np.sqrt(variance * contrast @ alike @ contrast))
    assert found.df[0] == pytest.approx(7 * (1 - rho**2) / (1 + rho**2))


@pytest.mark.parametrize(("n", "rho"), [(8, 0.0), (14, 0.3), (18, 0.0)])
def test_intervals_of_steps_hold_as_often_as_they_say(n: int, rho: float) -> None:
    """Steps of 3 to 6 standard deviations at places of their own: 95 in 100, the place being found and not given."""
    rng, cells = np.random.default_rng(6), 3000
    noise = rng.normal(size=(cells, n))
    for k in range(1, n):
        noise[:, k] = rho * noise[:, k - 1] + np.sqrt(1 - rho**2) * noise[:, k]
    size = rng.uniform(3, 6, cells)
    value = noise + size[:, None] * (np.arange(n) >= rng.integers(2, n - 1, cells)[:, None])
    cell = np.repeat(np.arange(cells), n)
    lines = fit_lines(cell, np.tile(np.arange(float(n)), cells), value.ravel(), cells)
    found = steps.locate_step(cell, lines, np.full(cells, rho))
    held = np.abs(found.size - size) <= stats.t.ppf(0.975, found.df) * found.error
    assert 0.935 < held[found.beats_line > 1.5].mean() < 0.975


def test_a_step_of_too_few_months_has_no_interval() -> None:
    found = _locate(np.zeros(3, dtype=np.int64), np.arange(3.0), np.array([1.0, 1, 5]))
    assert np.isnan(found.error[0])
    assert np.isnan(found.df[0])
