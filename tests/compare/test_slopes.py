"""Slopes with borrowed variance: against scipy's regression, the healthy fleet's own paces, and odd months."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.compare import serial, slopes
from tests.benchmarks.drift import Fleet, differences, judge


def _judge(value: np.ndarray, time: np.ndarray, measures: int, rho: float = 0.0) -> slopes.Slopes:
    """Slopes of series of one length, shape (cells, n); cell k is of measure k % measures."""
    cells, n = value.shape
    cell = np.repeat(np.arange(cells), n)
    return slopes.judge_slopes(
        cell,
        serial.fit_lines(cell, np.tile(time, cells), value.ravel(), cells),
        np.full(cells, rho),
        np.arange(cells) % measures,
        measures,
        np.zeros(cells),
    )


def test_without_anything_to_borrow_it_is_the_t_test_of_a_regression() -> None:
    # second implementation: scipy.stats.linregress; two cells of a measure are too few to pool or to widen
    rng = np.random.default_rng(1)
    time = np.cumsum(rng.uniform(0.5, 2, 12))
    value = rng.normal(size=(2, 12)) + np.array([[0.3], [-0.3]]) * time
    found = _judge(value, time, 2)
    for k in range(2):
        told = stats.linregress(time, value[k])
        scale = np.sqrt(found.healthy_scatter[k])
        assert found.slope[k] == pytest.approx(told.slope)
        assert found.error[k] == pytest.approx(told.stderr * scale)
        assert found.df[k] == 10


def test_with_correlated_months_the_error_is_that_of_least_squares_under_them() -> None:
    """By simulation: 4,000 series with correlation 0.6; the mean error must be the spread of the slopes."""
    rng = np.random.default_rng(2)
    value = rng.normal(size=(4000, 15))
    for k in range(1, 15):
        value[:, k] = 0.6 * value[:, k - 1] + 0.8 * value[:, k]
    found = _judge(value, np.arange(15.0), 1, 0.6)
    assert np.sqrt(np.mean((found.error**2) / found.healthy_scatter)) == pytest.approx(
        np.std(found.slope), rel=0.05
    )


def test_borrowed_variance_finds_what_one_series_cannot() -> None:
    """A ramp of 6 sigma over 14 months among 1,300 series: its own t-test is far less sure."""
    rng = np.random.default_rng(3)
    value = rng.normal(size=(1300, 14))
    value[0] += 6 * np.arange(14) / 13
    found = _judge(value, np.arange(14.0), 20)
    assert found.p[0] < 1e-5
    assert found.p[0] < stats.linregress(np.arange(14.0), value[0]).pvalue / 10


def test_paces_that_all_vans_of_a_reading_differ_in_accuse_nobody() -> None:
    rng = np.random.default_rng(4)
    value = rng.normal(size=(2000, 14))
    value[::20] += 5 * rng.normal(size=(100, 1)) * np.arange(14) / 13
    found = _judge(value, np.arange(14.0), 20)
    assert found.healthy_scatter[0] > 3
    assert np.median(found.healthy_scatter) < 1.2
    assert np.mean(found.p[::20] < 0.05) < 0.12
    assert not np.any(found.p < 1e-5)


def test_a_single_odd_month_is_not_a_drift() -> None:
    """Seven sigma in the last month: with the variance of all others alone it would be told with p below 1e-4."""
    rng = np.random.default_rng(5)
    value = rng.normal(size=(1200, 14))
    value[0, -1] += 7 * np.sign(value[0, -1])
    found = _judge(value, np.arange(14.0), 20)
    assert found.p[0] > 0.01


def test_values_that_never_move_have_no_slope() -> None:
    found = _judge(np.ones((30, 10)), np.arange(10.0), 1)
    assert np.all(found.p == 1)
    assert np.all(found.t == 0)


def test_what_a_line_leaves_of_correlation_by_hand() -> None:
    """Three points: what is left of a line is (1, -2, 1) times one number, whose neighbours correlate by -4 / 6."""
    assert serial.left_correlation(3) == pytest.approx(np.full(20, -4 / 6))


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6])
def test_correlation_is_found_though_months_are_missing(rho: float) -> None:
    rng = np.random.default_rng(6)
    value = rng.normal(size=(2000, 18))
    for k in range(1, 18):
        value[:, k] = rho * value[:, k - 1] + np.sqrt(1 - rho**2) * value[:, k]
    cell, at = np.nonzero(rng.random(value.shape) > 0.2)
    time = at.astype(float)
    lines = serial.fit_lines(cell, time, value[cell, at], 2000)
    found = serial.serial_correlation(cell, time, lines, np.arange(2000) % 20, 20)
    assert np.mean(found) == pytest.approx(rho, abs=0.05)


def test_a_season_is_never_a_drift() -> None:
    """Fifteen months of a season of 3 sigma, a third of them unread, so that it is cut off in the middle: no more is told than by chance."""
    rng = np.random.default_rng(7)
    ways = [judge(differences(rng, Fleet(season=3.0, months=15, missing=1 / 3))) for _ in range(4)]
    p = np.concatenate([way.slope[~np.isnan(way.slope)] for way in ways])
    assert p.size > 4000
    assert 0.03 <= np.mean(p <= 0.05) <= 0.07
    assert sum(int(way.told()[0].sum()) for way in ways) <= 1


def test_the_error_under_memory_is_that_of_matrix_algebra() -> None:
    """Second implementation: z'Rz / (z'z)^2 and tr((I - H) R) written out with the correlations of every two months."""
    rng = np.random.default_rng(8)
    time, rho, value = np.cumsum(rng.uniform(0.5, 2, 14)), 0.6, rng.normal(size=(1, 14))
    found = _judge(value, time, 1, rho)
    alike = rho ** np.abs(np.subtract.outer(time, time))
    design = np.column_stack([np.ones(14), time])
    leaves = np.eye(14) - design @ np.linalg.pinv(design)
    z = time - time.mean()
    s2 = np.sum((leaves @ value[0]) ** 2) / np.trace(leaves @ alike)
    error = np.sqrt(s2 * (z @ alike @ z)) / (z @ z)
    assert found.error[0] == pytest.approx(error * np.sqrt(found.healthy_scatter[0]))
