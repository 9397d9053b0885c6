"""Steps at readers' updates against other implementations: statsmodels' least squares, scipy's Welch test."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from statsmodels.regression.linear_model import OLS

from pipeline.compare.effects_updates import UpdateSteps, fit_updates, judge_steps

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Visits(NamedTuple):
    """Arguments of `fit_updates`, one measure: software 0 became 1, 2 became 3, 4 stayed."""

    value: Floats
    van: Ints
    month: Ints
    software: Ints
    family: Ints


def draw(rng: np.random.Generator, step: float = 0.0) -> Visits:
    """Two families of ten vans in twelve months, each with seasons of its own, read by three readers in turn."""
    van, month = (x.ravel() for x in np.meshgrid(np.arange(20), np.arange(12), indexing="ij"))
    reader = rng.integers(0, 3, len(van))
    software = 2 * reader + ((reader == 0) & (month >= 5)) + ((reader == 1) & (month >= 7))
    family = van // 10
    season = 3 * rng.standard_normal((2, 12))[family, month]
    value = rng.standard_normal(20)[van] + season + rng.standard_normal(len(van)) + step * (software == 1)
    return Visits(value + 0.7 * (reader == 2), van, month, software, family)


def fit(visits: Visits, updates: tuple[tuple[int, int], ...] = ((0, 1), (2, 3))) -> UpdateSteps:
    old, new = np.array(updates).T
    order = np.lexsort((visits.software, visits.month, visits.van, visits.family))
    rows = np.arange(len(order))
    return fit_updates(
        visits.value[order],
        np.zeros_like(rows),
        rows,
        van=visits.van[order],
        month=visits.month[order],
        software=visits.software[order],
        family=visits.family[order],
        before=old,
        after=new,
    )


def test_steps_are_those_of_a_second_implementation() -> None:
    """Dummies for every van, family-month and software, by statsmodels."""
    visits = draw(np.random.default_rng(1), step=1.5)
    season, first = visits.family * 12 + visits.month, visits.month == 0
    columns = [
        (codes[:, None] == known).astype(float)
        for codes, known in (
            (visits.van, np.arange(20)),
            (np.where(first, -1, season), np.unique(season[~first])),
            (visits.software, np.arange(4)),
        )
    ]
    told = OLS(visits.value, np.hstack(columns)).fit()
    effect = told.params[-4:]
    found = fit(visits)
    assert found.update.tolist() == [0, 1]
    assert found.step == pytest.approx([effect[1] - effect[0], effect[3] - effect[2]])
    asked = np.zeros(len(told.params))
    asked[[-4, -3]] = -1, 1
    # months are paid for family by family, software not at all: a little less than all parameters
    assert found.plain_variance[0] == pytest.approx(told.t_test(asked).sd.item() ** 2, rel=0.05)


def test_no_step_is_lent_to_another_update_or_to_the_months() -> None:
    still, moved = (fit(draw(np.random.default_rng(2), step)) for step in (0.0, 50.0))
    assert moved.step - still.step == pytest.approx([50.0, 0.0], abs=1e-9)
    assert moved.variance == pytest.approx(still.variance)


def test_with_two_months_it_is_welchs_test() -> None:
    """Vans read once before and once after: after less before, of 25 vans against 20 others that scatter twice as much."""
    rng = np.random.default_rng(3)
    own, other = 1 + rng.standard_normal(25), 2 * rng.standard_normal(20)
    before = rng.standard_normal(45)
    van, month = np.tile(np.arange(45), 2), np.repeat([0, 1], 45)
    software = np.where(van < 25, month, 2)
    visits = Visits(np.r_[before, before + np.r_[own, other]], van, month, software, np.zeros(90, np.int64))
    found = fit(visits, ((0, 1),))
    judged = judge_steps(found, np.zeros(1))
    told = stats.ttest_ind(own, other, equal_var=False)
    interval = told.confidence_interval()
    assert found.step == pytest.approx([own.mean() - other.mean()])
    assert judged.high - judged.low == pytest.approx([interval.high - interval.low], rel=0.03)
    assert judged.p == pytest.approx([told.pvalue], rel=0.2)


@pytest.mark.parametrize("is_alone", [True, False], ids=["one reader alone", "readers that share no family"])
def test_what_the_season_may_have_done_is_not_told(is_alone: bool) -> None:
    visits = draw(np.random.default_rng(4))
    own = (visits.software < 2) if is_alone else (visits.family == 0) == (visits.software < 2)
    some = Visits(
        visits.value[own], visits.van[own], visits.month[own], visits.software[own], visits.family[own]
    )
    assert 0 not in fit(some).update


def steps_of(step: Floats, variance: Floats, df: float, update: Ints) -> UpdateSteps:
    rows = len(step)
    return UpdateSteps(
        np.arange(rows),
        update,
        step,
        variance,
        np.full(rows, df),
        np.ones(rows),
        np.full(rows, 300.0),
        np.zeros(rows),
    )


def test_a_margin_is_part_of_the_question() -> None:
    """By hand after McCarthy and Smyth 2009: both tails, taken from a true step of the margin."""
    given = steps_of(np.array([3.0, -3.0]), np.array([0.64, 0.64]), 7.0, np.array([0, 1]))  # too few to lend
    judged = judge_steps(given, np.array([0.0, 1.0]))
    assert judged.p[0] == pytest.approx(2 * stats.t.sf(3 / 0.8, 7))
    assert judged.p[1] == pytest.approx(stats.t.sf(2 / 0.8, 7) + stats.t.sf(4 / 0.8, 7))
    reach = stats.t.ppf(0.975, 7) * 0.8
    assert (judged.low[0], judged.high[0]) == pytest.approx((3 - reach, 3 + reach))


def test_the_readings_of_an_update_lend_each_other_variance() -> None:
    """Five degrees of freedom in 24 readings: told no more often than chance, and more often than alone if moved."""
    rng = np.random.default_rng(10)
    updates, readings, df = 300, 24, 5.0
    update = np.repeat(np.arange(updates), readings)
    error = np.repeat(rng.choice([0.3, 1.0, 2.0], updates), readings)  # vans read often or seldom
    step = error * rng.standard_normal(len(update))
    variance = error**2 * rng.chisquare(df, len(update)) / df
    still, moved = (
        judge_steps(steps_of(step + far * error, variance, df, update), np.zeros(len(update)))
        for far in (0.0, 4.0)
    )
    assert 0.04 < np.mean(still.p <= 0.05) < 0.06
    assert np.mean(still.p <= 0.001) < 0.002
    alone = 2 * stats.t.sf(np.abs(step + 4 * error) / np.sqrt(variance), df)
    assert np.mean(moved.p <= 0.001) > 1.3 * np.mean(alone <= 0.001)
