"""Steps: where they are, and whether a reader's update makes one."""

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


def test_an_update_is_judged_by_welch() -> None:
    own, other = np.array([1.0, 1.4, 0.8, 1.1, 1.3]), np.array([0.1, -0.3, 0.2, 0.0])
    summed = [
        steps.Moved(np.array([len(x)]), np.array([x.mean()]), np.array([x.var(ddof=1)])) for x in (own, other)
    ]
    one = np.zeros(1, dtype=np.int64)
    found, told = steps.judge_updates(summed[0], summed[1], one), stats.ttest_ind(own, other, equal_var=False)
    assert found.p[0] == pytest.approx(told.pvalue)
    interval = told.confidence_interval()
    assert (found.low[0], found.high[0]) == pytest.approx((interval.low, interval.high))
    few = steps.Moved(np.array([3]), np.array([1.0]), np.array([0.1]))
    assert np.isnan(steps.judge_updates(few, summed[1], one).p[0])


def test_a_few_vans_borrow_variance_from_the_many() -> None:
    """Five vans against thirty, in 24 readings: told no more often than chance, and more often than alone if moved."""
    rng = np.random.default_rng(10)
    updates, readings = 300, 24
    unit = rng.uniform(0.5, 20, (updates * readings, 1))
    scatter = np.repeat(rng.choice([0.3, 1.0, 2.0], (updates, 35)), readings, axis=0)  # read often or seldom
    moved = scatter * rng.standard_normal((updates * readings, 35)) * unit
    update = np.repeat(np.arange(updates), readings)

    def sides(step: float) -> tuple[steps.Moved, steps.Moved, np.ndarray]:
        few, many = moved[:, :5] + step * unit, moved[:, 5:]
        own, other = (
            steps.Moved(np.full(len(x), x.shape[1]), x.mean(axis=1), x.var(axis=1, ddof=1))
            for x in (few, many)
        )
        return own, other, stats.ttest_ind(few, many, axis=1, equal_var=False).pvalue

    own, other, _ = sides(0.0)
    judged, turned = steps.judge_updates(own, other, update), steps.judge_updates(other, own, update)
    assert 0.04 < np.mean(judged.p <= 0.05) < 0.06
    assert np.mean(judged.p <= 0.001) < 0.002
    assert turned.p == pytest.approx(judged.p)
    assert turned.low == pytest.approx(-judged.high)
    own, other, alone = sides(2.0)
    assert np.mean(steps.judge_updates(own, other, update).p <= 0.001) > 1.3 * np.mean(alone <= 0.001)
