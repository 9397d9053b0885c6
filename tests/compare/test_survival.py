"""Return curves against statsmodels and printed tables. Freireich and Bewick: tests/worked_examples."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.duration.survfunc import SurvfuncRight

from pipeline.compare.survival import kaplan_meier

# Remission of leukaemia under 6-MP, weeks (Freireich 1963, Blood 21:699-716).
TIME = [6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
CAME = [1] * 9 + [0] * 12


@pytest.mark.parametrize("seed", range(6))
def test_share_and_greenwoods_error_equal_statsmodels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time = rng.integers(0, 25, 40).astype(float)
    came = rng.random(40) < 0.6
    came[time == 0] = False
    found = kaplan_meier(time, came)
    other = SurvfuncRight(time[time > 0], came[time > 0].astype(int))
    kept = other.n_events > 0
    assert np.array_equal(found.time, other.surv_times[kept])
    assert np.array_equal(found.at_risk, other.n_risk[kept])
    assert np.allclose(found.share, other.surv_prob[kept])
    last = found.share > 0
    assert np.allclose(found.standard_error[last], other.surv_prob_se[kept][last])


def test_intervals_are_those_that_statistics_programs_print() -> None:
    """Log-log intervals of the 6-MP group as commonly printed (from memory, four digits)."""
    found = kaplan_meier(TIME, CAME)
    printed = [
        (6, 0.8571, 0.0764, 0.6197, 0.9516),
        (7, 0.8067, 0.0869, 0.5631, 0.9228),
        (10, 0.7529, 0.0963, 0.5032, 0.8894),
        (13, 0.6902, 0.1068, 0.4316, 0.8491),
        (16, 0.6275, 0.1141, 0.3675, 0.8049),
        (22, 0.5378, 0.1282, 0.2678, 0.7468),
        (23, 0.4482, 0.1346, 0.1881, 0.6801),
    ]
    rows = np.column_stack([found.time, found.share, found.standard_error, found.low, found.high])
    assert np.allclose(rows, printed, atol=6e-5)


def test_without_censoring_the_curve_is_the_plain_share() -> None:
    time = np.array([3.0, 1.0, 4.0, 1.0, 5.0])
    found = kaplan_meier(time, np.ones(5))
    assert np.allclose(found.share, [(time > t).mean() for t in found.time])
    assert found.median == 3.0


def test_a_curve_without_returns_has_no_median() -> None:
    found = kaplan_meier([10, 20], [0, 0])
    assert found.time.size == 0
    assert np.isnan(found.median)
    assert (found.n, found.n_events) == (2, 0)
    assert kaplan_meier([], []).n == 0


def test_the_middle_of_the_interval_beats_the_day_of_the_finding() -> None:
    """Half of the codes back within 21 days, looked for every 14 to 42 days: the median by the day of the finding is
    late by more than a week, that by the middle between two scans is near (simulation, seed fixed)."""
    rng = np.random.default_rng(3)
    truth = rng.exponential(30.0, 400)
    found_at, last_free = np.empty(400), np.empty(400)
    for i, back in enumerate(truth):
        day = 0.0
        while day < back:
            last_free[i], day = day, day + rng.uniform(14, 42)
        found_at[i] = day
    median = 30.0 * np.log(2)
    late = kaplan_meier(found_at, np.ones(400)).median
    middle = kaplan_meier((found_at + last_free) / 2, np.ones(400)).median
    assert late - median > 7
    assert abs(middle - median) < 4


def test_the_share_stays_within_its_interval_and_both_within_0_and_1() -> None:
    rng = np.random.default_rng(8)
    found = kaplan_meier(rng.exponential(20, 60), rng.random(60) < 0.8)
    assert (found.low <= found.share + 1e-12).all()
    assert (found.share <= found.high + 1e-12).all()
    assert (found.low >= 0).all()
    assert (found.high <= 1).all()


@pytest.mark.parametrize(("time", "came"), [([-1.0], [1]), ([np.nan], [0]), ([1.0, 2.0], [1])])
def test_impossible_times_are_refused(time: list[float], came: list[int]) -> None:
    with pytest.raises(ValueError, match="time"):
        kaplan_meier(time, came)
