"""Trends of many short series: against second implementations, and the share of false alarms."""

from __future__ import annotations

import numpy as np
import pymannkendall  # type: ignore[import-untyped]
import pytest
from scipy import stats

from pipeline.compare import drift, serial, slopes


def _one(value: np.ndarray, time: np.ndarray | None = None) -> drift.Trends:
    at = np.arange(len(value), dtype=float) if time is None else time
    return drift.follow(np.zeros(len(value), dtype=np.int64), at, value, np.zeros(1))


def test_slopes_and_intervals_are_those_of_scipy() -> None:
    rng = np.random.default_rng(3)
    for n in (5, 8, 13, 24, 40):
        time = np.cumsum(rng.uniform(0.2, 2, n))
        value = rng.normal(size=n) + 0.1 * time
        found, told = _one(value, time), stats.theilslopes(value, time)
        assert (found.slope[0], found.slope_low[0], found.slope_high[0]) == pytest.approx(
            (told.slope, told.low_slope, told.high_slope)
        )


def test_p_without_ties_is_exact() -> None:
    # second implementation: scipy's exact null of Kendall's tau
    rng = np.random.default_rng(4)
    for n in (4, 8, 11, 20):
        value = rng.normal(size=n)
        assert _one(value).p[0] == pytest.approx(stats.kendalltau(np.arange(n), value, method="exact").pvalue)


def test_ties_are_corrected_as_in_pymannkendall() -> None:
    rng = np.random.default_rng(5)
    for n in (9, 15, 30):
        value = rng.integers(0, 5, n).astype(float)
        found, told = _one(value), pymannkendall.original_test(value)
        assert found.s[0] == told.s
        assert found.variance[0] == pytest.approx(told.var_s)
        assert (found.z[0], found.p[0]) == pytest.approx((told.z, told.p))


def test_values_that_differ_by_rounding_alone_tie() -> None:
    rng = np.random.default_rng(6)
    exact = rng.integers(0, 5, 24).astype(np.float64) * 0.1
    noisy = np.asarray(exact + rng.normal(0, 1e-14, 24), np.float64)
    step = np.full(24, 0.1 * 1e-6)
    assert _one(noisy).p[0] != pytest.approx(_one(exact).p[0], rel=1e-6)  # as given, chance breaks the ties
    assert _one(drift.rounded(noisy, step)).p[0] == pytest.approx(
        _one(drift.rounded(exact, step)).p[0], rel=1e-9
    )
    assert drift.rounded(noisy, np.zeros(24)).tolist() == noisy.tolist()


def test_serial_correlation_widens_as_hamed_and_rao_say() -> None:
    """With independent values nothing widens; by hand for n = 4: lags 1 only, 3 x 2 x 1 r_1 / 24 x 2."""
    assert drift.serial_inflation(0.0, 20) == 1.0
    rank = 6 / np.pi * np.arcsin(0.25)
    assert drift.serial_inflation(0.5, 4) == pytest.approx(1 + 2 * 6 * rank / 24)


def test_many_series_at_once_are_each_their_own() -> None:
    rng = np.random.default_rng(6)
    parts = [rng.normal(size=n) for n in (12, 5, 12, 2, 9)]
    cell = np.repeat(np.arange(5), [len(p) for p in parts])
    time = np.concatenate([np.arange(len(p), dtype=float) for p in parts])
    found = drift.follow(cell, time, np.concatenate(parts), np.zeros(5))
    for number, part in enumerate(parts):
        alone = _one(part)
        assert found.n[number] == len(part)
        assert found.p[number] == pytest.approx(alone.p[0], nan_ok=True)
        assert found.slope[number] == pytest.approx(alone.slope[0], nan_ok=True)
    assert np.isnan(found.p[3])  # two points tell no trend


@pytest.mark.parametrize(
    ("cell", "time"), [([0, 0, 1, 0], [0, 1, 2, 3]), ([0, 0, 0, 0], [0, 1, 1, 2]), ([0] * 61, range(61))]
)
def test_rows_out_of_order_are_refused(cell: list[int], time: list[float]) -> None:
    cells = np.array(cell, dtype=np.int64)
    with pytest.raises(ValueError, match=r"order|most"):
        drift.follow(cells, np.array(time, dtype=float), np.zeros(len(cells)), np.zeros(2))


@pytest.mark.parametrize("rho", [0.0, 0.4])
def test_false_alarms_stay_between_three_and_seven_in_a_hundred(rho: float) -> None:
    """A healthy fleet of 3,000 cells with 15 months, half of it with memory from month to month."""
    rng = np.random.default_rng(7)
    value = rng.normal(size=(3000, 15))
    for k in range(1, 15):
        value[:, k] = rho * value[:, k - 1] + np.sqrt(1 - rho**2) * value[:, k]
    cell, time = np.repeat(np.arange(3000), 15), np.tile(np.arange(15.0), 3000)
    lines = serial.fit_lines(cell, time, value.ravel(), 3000)
    known = serial.serial_correlation(cell, time, lines, np.arange(3000) % 20, 20)
    assert np.mean(known) == pytest.approx(rho, abs=0.06)
    p = drift.follow(cell, time, value.ravel(), known).p
    assert 0.03 <= np.mean(p <= 0.05) <= 0.07
    by_slope = slopes.judge_slopes(cell, lines, known, np.arange(3000) % 20, 20, np.zeros(3000)).p
    assert 0.03 <= np.mean(by_slope <= 0.05) <= 0.07
    if rho:
        naive = drift.follow(cell, time, value.ravel(), np.zeros(3000)).p
        assert np.mean(naive <= 0.05) > 0.10
