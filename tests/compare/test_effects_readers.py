"""Reader bias: found, sized and taken out, with the van as the unit; silent where nothing links readers.

Checks against statsmodels (ordinary least squares with van fixed effects), scipy (paired t-test) and
seeded simulations with a known truth. A simulated rate over 1,500 fleets has a standard error of 0.6 %.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols

from pipeline.compare.effects import EffectRules, fit_effects
from pipeline.compare.effects_design import Visits, lay_out
from pipeline.compare.effects_fit import residual_scale

if TYPE_CHECKING:
    from tests.compare.conftest import Fleet, Floats

    MakeFleet = Callable[..., Fleet]
    Season = Callable[[Fleet, float], Floats]

PLAIN = EffectRules(reader_psi="least squares")


def _ols(fleet: Fleet) -> Any:
    frame = pd.DataFrame(
        {
            "value": fleet.value[:, 0],
            "van": fleet.van,
            "month": fleet.month,
            "reader": fleet.reader,
        }
    )
    return ols("value ~ C(van) + C(month) + C(reader)", frame).fit()


def _reference_of(fleet: Fleet) -> int:
    vans = [len(np.unique(fleet.van[fleet.reader == r])) for r in range(fleet.reader.max() + 1)]
    return int(np.argmax(vans))


@pytest.mark.parametrize("readers", [2, 4])
def test_plain_estimates_equal_least_squares_with_van_and_month_effects(
    make_fleet: MakeFleet, readers: int
) -> None:
    fleet = make_fleet(21, fleets=1, readers=readers, family_size=12, missing=0.0)
    fleet = fleet.plus(0.8 * (fleet.reader == 1))
    fleet = replace(fleet, reader=(fleet.van + fleet.month) % readers) if readers == 2 else fleet
    found, expected = fleet.fit(PLAIN).readers, _ols(fleet).params
    for r in range(1, readers):
        against = found.reference[r]
        assert against == _reference_of(fleet) == 0
        assert found.estimate[r] == pytest.approx(expected[f"C(reader)[T.{r}]"], abs=1e-9)
    assert np.isnan(found.estimate[0])


def test_robust_estimate_stays_near_least_squares_on_a_clean_balanced_fleet(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(22, fleets=1, missing=0.0, vans=24, family_size=24)
    fleet = replace(fleet, reader=(fleet.van + fleet.month) % 2)
    robust, plain = fleet.fit().readers, _ols(fleet)
    assert robust.estimate[1] == pytest.approx(
        plain.params["C(reader)[T.1]"], abs=0.3 * plain.bse["C(reader)[T.1]"]
    )


def test_balanced_pairs_give_the_paired_t_test() -> None:
    rng = np.random.default_rng(23)
    van, reader = np.repeat(np.arange(9), 8), np.tile(np.repeat([0, 1], 4), 9)
    value = rng.standard_normal(9)[van] + 0.5 * reader + rng.standard_normal(len(van))
    # four scans by each reader, all of one month: one mean per van and reader
    effects = fit_effects(value, van, 0 * van, reader, 0 * van, 0 * van, rules=PLAIN)
    pairs = [[value[(van == v) & (reader == r)].mean() for v in range(9)] for r in (1, 0)]
    expected = stats.ttest_rel(*pairs)
    readers = effects.readers
    assert readers.estimate[1] == pytest.approx(np.mean(pairs[0]) - np.mean(pairs[1]), abs=1e-12)
    assert readers.p[1] == pytest.approx(expected.pvalue, rel=1e-9)
    assert readers.df[1] == pytest.approx(8, rel=1e-9)
    interval = expected.confidence_interval()
    assert (readers.low[1], readers.high[1]) == pytest.approx((interval.low, interval.high), rel=1e-9)


def test_small_families_take_their_scale_from_the_others() -> None:
    rng = np.random.default_rng(35)
    van = np.r_[np.repeat(np.arange(30), 8), np.repeat([30, 31], 2)]
    family = np.r_[np.repeat(np.arange(3), 80), np.full(4, 3)]
    month = np.r_[np.tile(np.arange(8), 30), [0, 1, 0, 1]]
    value = np.r_[rng.standard_normal(240), [0.0, 1e-4, 0.0, 1e-4]]
    zero = np.zeros(len(van), np.int64)
    rows = lay_out(zero, np.arange(len(van)), Visits(family, van, month, zero))
    scale = residual_scale(rows, rows.demean(value[None]), np.zeros(4), np.full((1, 1), 1e-12))[0]
    assert scale[:3] == pytest.approx(1.0, abs=0.25)
    assert scale[3] == np.median(scale[:3])


def test_readers_are_not_told_apart_by_rounding() -> None:
    rng = np.random.default_rng(36)
    van, reader = np.repeat(np.arange(10), 4), np.tile([0, 1], 20)
    value = np.r_[0.1 + 1e-16 * rng.integers(-1, 2, 40), rng.standard_normal(40)]
    both, measure = np.tile([van, reader, 0 * van], 2), np.repeat([0, 1], 40)
    found = fit_effects(value, both[0], both[2], both[1], measure, both[2], rules=PLAIN).readers
    assert np.isnan(found.p[found.measure == 0]).all()
    assert np.isfinite(found.p[(found.measure == 1) & (found.reader != found.reference)]).all()


def _by_halves(fleet: Fleet) -> Fleet:
    """Let each reader read mostly its own half of the vans."""
    rng = np.random.default_rng(1)
    often = np.where(fleet.van % 2 == 0, 0.85, 0.1)
    return replace(fleet, reader=(rng.random(len(fleet.van)) < often).astype(np.int64))


def _late(fleet: Fleet) -> Fleet:
    """Let the second reader appear in the second half of the year and take most scans there."""
    rng = np.random.default_rng(2)
    late = (fleet.month >= 6) & (rng.random(len(fleet.van)) < 0.8)
    return replace(fleet, reader=late.astype(np.int64))


LAYOUTS: dict[str, tuple[dict[str, Any], Callable[[Fleet], Fleet] | None]] = {
    "twelve vans": ({}, None),
    "four vans": ({"vans": 4, "family_size": 4}, None),
    "mostly one reader per van": ({}, _by_halves),
    "a second reader late in the year": ({}, _late),
    "four readers": ({"readers": 4}, None),
    "scans of a van alike over time": ({"correlation": 0.7}, None),
    "heavy tails": ({"tail_df": 3}, None),
    "families of two with four scans": ({"vans": 24, "family_size": 2, "months": 4, "missing": 0.0}, None),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_rate_of_false_alarms_and_coverage(make_fleet: MakeFleet, season: Season, layout: str) -> None:
    options, turn = LAYOUTS[layout]
    fleet = make_fleet(24, fleets=1500, **options)
    fleet = turn(fleet) if turn else fleet
    readers = fleet.plus(season(fleet, 2.0)).fit().readers
    tested = ~np.isnan(readers.p)
    assert tested.sum() >= 1500
    assert 0.03 <= np.mean(readers.p[tested] < 0.05) <= 0.07
    assert np.mean((readers.low <= 0) & (readers.high >= 0), where=tested) >= 0.93
    assert np.mean(readers.effect != 0) < 0.001


def test_a_bias_lies_in_its_interval(make_fleet: MakeFleet, season: Season) -> None:
    fleet = _by_halves(make_fleet(25, fleets=1500))
    readers = fleet.plus(season(fleet, 2.0) + 1.5 * (fleet.reader == 1)).fit().readers
    tested = ~np.isnan(readers.p)
    true = np.where(readers.reader == 1, 1.5, -1.5)
    hit = (readers.low <= true) & (true <= readers.high)
    assert (
        0.93 <= np.mean(hit[tested]) <= 0.98
    )  # what months have in common is never taken to be less than nothing


@pytest.mark.parametrize("months", [4, 12])
def test_rounds_in_different_weather_make_no_bias(make_fleet: MakeFleet, months: int) -> None:
    """Each month one round with each reader, a week apart, and weather that a round's vans share.

    With the vans as the only unit intervals hold in 56 to 58 of 100 here (docs/decisions/0014).
    """
    fleet = _by_halves(make_fleet(28, fleets=600, vans=30, family_size=30, months=months, per_month=2))
    round_of = 2 * fleet.month + fleet.reader
    weather = np.random.default_rng(29).normal(size=(2 * months, fleet.fleets))
    readers = replace(fleet, value=fleet.value + weather[round_of]).fit().readers
    tested = ~np.isnan(readers.p)
    held = (readers.low <= 0) & (readers.high >= 0)
    assert tested.sum() == 600
    assert 0.88 <= np.mean(held[tested]) <= 0.98
    assert np.mean(readers.effect[tested] != 0) < 0.06


def test_vans_read_mostly_by_a_biased_reader_do_not_stand_out(make_fleet: MakeFleet) -> None:
    fleet = _by_halves(make_fleet(26, vans=24, family_size=8))
    shaken = fleet.plus(2.0 * (fleet.reader == 1))
    truth = fleet.van_means(fleet.value)
    before = shaken.van_means(shaken.value) - truth
    after = shaken.van_means(shaken.adjusted()) - truth
    assert np.abs(before.mean(axis=1)).max() > 0.6
    assert np.abs(after.mean(axis=1)).max() < 0.1
    assert after.var() / truth.var() < 0.05


def test_without_a_bias_nothing_is_added(make_fleet: MakeFleet) -> None:
    fleet = _by_halves(make_fleet(27))
    truth, found = fleet.van_means(fleet.value), fleet.van_means(fleet.adjusted())
    assert np.mean(fleet.fit().readers.effect != 0) < 0.002
    assert found.var() / truth.var() == pytest.approx(1.0, abs=0.02)


def test_a_bias_of_half_the_spread_between_vans_is_found(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(28, vans=24, family_size=8, per_month=2, noise=0.5, fleets=200)
    readers = fleet.plus(0.5 * (fleet.reader == 1)).fit().readers
    assert np.mean(readers.effect[~np.isnan(readers.p)] != 0) >= 0.95


def test_a_bias_is_seen_where_most_readings_never_move(make_fleet: MakeFleet) -> None:
    # one van of every family of three is read by both readers; the others always show 14.0
    fleet = make_fleet(34, vans=30, family_size=3, fleets=3, missing=0.0)
    second = (fleet.reader == 1) & (fleet.van % 3 == 0)
    still = replace(fleet, reader=second.astype(np.int64), value=np.full_like(fleet.value, 14.0))
    readers = still.plus(0.1 * (still.reader == 1)).fit().readers
    assert readers.effect[readers.reader == 1] == pytest.approx(0.1, abs=1e-9)
    # without a bias, the vans that do move decide how far chance reaches
    restless = replace(still, value=np.where((fleet.van % 3 == 0)[:, None], fleet.value, 14.0))
    assert (restless.fit().readers.effect == 0).all()


def test_a_van_that_steps_when_the_reader_changes_is_not_the_readers_fault(make_fleet: MakeFleet) -> None:
    fleet = _late(make_fleet(29))
    step = 10.0 * ((fleet.van == 5) & (fleet.month >= 6))
    readers = fleet.plus(step).fit().readers
    tested = ~np.isnan(readers.p)
    assert np.abs(np.mean(readers.estimate[tested])) < 0.35
    assert np.mean(readers.effect[tested] != 0) < 0.01


def test_a_reader_that_replaced_another_on_one_day_is_left_to_the_months(
    make_fleet: MakeFleet, season: Season
) -> None:
    fleet = make_fleet(30)
    fleet = replace(fleet, reader=(fleet.month >= 6).astype(np.int64))
    fleet = fleet.kept((fleet.van != 0) | (fleet.month < 3))
    shaken = fleet.plus(season(fleet, 3.0) + 2.0 * fleet.reader)
    effects = shaken.fit()
    assert np.isnan(effects.readers.estimate).all()
    assert (effects.readers.effect == 0).all()
    assert set(effects.readers.component) == {"linked"}
    error = shaken.van_means(effects.adjusted.reshape(fleet.value.shape)) - fleet.van_means(fleet.value)
    assert np.abs(error.mean(axis=1)).max() < 0.2


def _read_by(fleet: Fleet, rule: Mapping[int, tuple[int, ...]]) -> Fleet:
    """Let the vans be read equally often by the readers given for them, others by reader 0."""
    rng = np.random.default_rng(3)
    reader = np.zeros(len(fleet.van), np.int64)
    for van, turns in rule.items():
        mine = np.flatnonzero(fleet.van == van)
        reader[mine] = rng.permutation(np.resize(turns, len(mine)))
    return replace(fleet, reader=reader)


def test_readers_that_share_too_few_vans_form_their_own_component(make_fleet: MakeFleet) -> None:
    apart = {7: (3, 0), 8: (3, 0), **{v: (3,) for v in (9, 10)}, 11: (4,)}
    linked = {0: (0, 1), 1: (0, 1), 2: (0, 1), 3: (0, 2), 4: (0, 2), 5: (0, 2), 6: (0, 2)}
    readers = _read_by(make_fleet(31, fleets=1, missing=0.0), {**apart, **linked}).fit().readers
    assert readers.reader.tolist() == [0, 1, 2, 3, 4]
    assert readers.component.tolist() == ["linked", "linked", "linked", "apart-3", "apart-4"]
    assert readers.reference.tolist() == [0, 0, 0, 3, 4]
    assert readers.n_vans.tolist() == [7, 3, 4, 0, 0]
    assert np.isnan(readers.p).tolist() == [True, True, False, True, True]


def test_two_readers_apart_from_the_rest_are_compared_with_each_other(make_fleet: MakeFleet) -> None:
    rule = {v: (6, 7) for v in range(8, 12)}
    fleet = _read_by(make_fleet(32, fleets=1, missing=0.0, noise=0.1), rule)
    readers = fleet.plus(3.0 * (fleet.reader == 7)).fit().readers
    assert readers.component.tolist() == ["linked", "apart-6", "apart-6"]
    assert readers.estimate[2] == pytest.approx(3.0, abs=0.2)
    assert readers.effect[2] == readers.estimate[2]


def test_a_chain_of_readers_is_linked(make_fleet: MakeFleet) -> None:
    rule = {**{v: (0, 1) for v in range(4)}, **{v: (1, 2) for v in range(4, 8)}}
    fleet = _read_by(make_fleet(33, fleets=1, missing=0.0, noise=0.1), rule)
    readers = fleet.plus(2.0 * (fleet.reader == 2)).fit().readers
    assert set(readers.component) == {"linked"}
    assert set(readers.reference) == {0}
    assert readers.estimate[readers.reader == 2][0] == pytest.approx(2.0, abs=0.2)
