"""Season taken out of scan levels: what is found, what leaks, and where the fit stays silent.

The method is our own, so the checks are seeded simulations with a known truth; units of the standard
deviation between siblings, which equals that of one scan unless said otherwise.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline.compare.effects import EffectRules, MonthSource, fit_effects

if TYPE_CHECKING:
    from tests.compare.conftest import Fleet, Floats

    MakeFleet = Callable[..., Fleet]
    Season = Callable[[Fleet, float], Floats]


def test_without_noise_the_truth_comes_back(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(1, noise=0.0, fleets=3)
    shaken = fleet.plus(season(fleet, 4.0) + 2.5 * (fleet.reader == 1))
    found = shaken.van_means(shaken.adjusted())
    assert np.allclose(found, fleet.van_means(fleet.value), atol=1e-9)


def test_effects_of_a_family_are_centred_on_its_observations(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(2, fleets=20, per_month=1, readers=1)
    shaken = fleet.plus(season(fleet, 4.0))
    effect = shaken.fit().month_effect.reshape(shaken.value.shape)
    for f in (0, 1):
        assert np.allclose(effect[fleet.family == f].mean(axis=0), 0.0, atol=1e-9)


def test_a_constant_fault_touches_no_effect(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(3, fleets=50)
    fleet = fleet.plus(season(fleet, 2.0))
    faulty = fleet.plus(30.0 * (fleet.van == 4))
    before, after = fleet.fit(), faulty.fit()
    assert np.allclose(before.months.effect, after.months.effect, atol=1e-8)
    assert np.allclose(before.readers.estimate, after.readers.estimate, atol=1e-8, equal_nan=True)


def test_order_and_names_of_rows_do_not_matter(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(4, fleets=5)
    measure, family = np.zeros_like(fleet.van), fleet.family
    plain = fit_effects(fleet.value[:, 0], fleet.van, fleet.month, fleet.reader, measure, family)
    turn = np.random.default_rng(0).permutation(len(fleet.van))
    turned = fit_effects(
        fleet.value[turn, 0],
        1000 - 7 * fleet.van[turn],
        24000 + fleet.month[turn],
        50 - fleet.reader[turn],
        measure[turn] - 5,
        family[turn] * 3 + 10**9,
    )
    assert np.allclose(turned.adjusted, plain.adjusted[turn], atol=1e-9)


def test_a_van_counts_once_a_month(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(5, fleets=4)
    fleet = fleet.plus(season(fleet, 2.0))
    daily = fleet.taken(np.repeat(np.arange(len(fleet.van)), np.where(fleet.van == 0, 9, 1)))
    assert len(daily.van) > len(fleet.van)
    assert np.allclose(daily.fit().months.effect, fleet.fit().months.effect, atol=1e-9)


@pytest.mark.parametrize(("winter_vans", "vans"), [(1, 12), (2, 12), (2, 8)])
def test_a_van_scanned_only_in_winter_is_not_accused(
    make_fleet: MakeFleet, season: Season, winter_vans: int, vans: int
) -> None:
    fleet = make_fleet(6, vans=vans, family_size=vans, per_month=2)
    fleet = fleet.kept((fleet.van >= winter_vans) | (fleet.month < 3))
    shaken = fleet.plus(season(fleet, 3.0))
    error = shaken.van_means(shaken.adjusted()) - fleet.van_means(fleet.value)
    assert np.abs(error.mean(axis=1)).max() < 0.2
    assert np.abs(shaken.van_means(shaken.value) - fleet.van_means(fleet.value)).max() > 1.5


def test_a_faulty_van_scanned_only_in_winter_does_not_hide(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(7)
    fleet = fleet.kept((fleet.van != 0) | (fleet.month < 3))
    faulty = fleet.plus(-6.0 * (fleet.van == 0))
    shaken = faulty.plus(season(fleet, 3.0))
    found, truth = shaken.van_means(shaken.adjusted()), faulty.van_means(faulty.value)
    assert found[0].mean() == pytest.approx(truth[0].mean(), abs=0.1)
    assert found[0].mean() < -5.0


@pytest.mark.parametrize("height", [0.0, 3.0])
def test_taking_the_season_out_adds_little_noise(
    make_fleet: MakeFleet, season: Season, height: float
) -> None:
    fleet = make_fleet(8)
    shaken = fleet.plus(season(fleet, height))
    truth, found = fleet.van_means(fleet.value), shaken.van_means(shaken.adjusted())
    assert found.var() / truth.var() == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("step", [8.0, 12.0])
def test_a_step_of_one_van_in_six_leaks_little_into_the_season(make_fleet: MakeFleet, step: float) -> None:
    fleet = make_fleet(9, vans=6)
    faulty = fleet.plus(step * ((fleet.van == 5) & (fleet.month >= 6)))
    moved = faulty.fit().months.effect - fleet.fit().months.effect
    leak = np.abs(moved.reshape(fleet.fleets, -1).mean(axis=0))
    assert leak.max() < 0.3 * step / 6
    plain = 0.5 * step / 6  # what least squares lets through, half before and half after the step
    assert leak.mean() < 0.6 * plain


def test_within_van_variance_is_put_right_by_its_factor(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(10, fleets=300)
    effects = fleet.fit()
    adjusted = effects.adjusted.reshape(fleet.value.shape)
    squares = sum(
        ((a - a.mean(axis=0)) ** 2).sum(axis=0) for a in (adjusted[fleet.van == v] for v in range(12))
    )
    df = len(fleet.van) - 12
    assert np.mean(squares / df) < 0.9
    assert np.mean(squares / df * effects.variance_factor) == pytest.approx(1.0, abs=0.05)


def test_three_vans_say_nothing_about_the_season(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(11, vans=3, fleets=5)
    effects = fleet.plus(season(fleet, 5.0)).fit()
    assert (effects.months.source == MonthSource.NONE).all()
    assert (effects.months.effect == 0).all()
    assert (effects.months.n_vans == 0).all()
    assert len(effects.months.effect) == 5 * len(np.unique(fleet.month))


def test_months_without_common_vans_are_not_compared(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(12, vans=12, family_size=12, fleets=5, missing=0.0)
    fleet = fleet.kept((fleet.van < 7) == (fleet.month < 6))
    effects = fleet.plus(season(fleet, 5.0)).fit()
    winter = effects.months.month < 6
    assert (effects.months.source[winter] == MonthSource.FAMILY).all()
    assert (effects.months.source[~winter] == MonthSource.NONE).all()
    assert (effects.months.effect[~winter] == 0).all()


def test_two_common_vans_do_not_tie_months_together(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(21, vans=12, family_size=12, fleets=5, missing=0.0)
    common = fleet.van >= 10
    fleet = fleet.kept(common | ((fleet.van < 6) == (fleet.month < 6)))
    stepped = fleet.plus(20.0 * ((fleet.van >= 10) & (fleet.month >= 6)))
    assert np.allclose(stepped.fit().months.effect, fleet.fit().months.effect, atol=0.6)
    assert (stepped.fit().months.source.reshape(5, 12) == MonthSource.NONE).any(axis=1).all()


def test_vans_seen_in_one_month_only_say_nothing_about_it(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(22, vans=12, family_size=12, fleets=5, missing=0.0)
    returning, visitors = fleet.van < 8, (fleet.van >= 8) & (fleet.month == 0)
    fleet = fleet.kept((returning & ((fleet.month > 0) | (fleet.van < 3))) | visitors)
    source = fleet.fit().months.source.reshape(5, 12)
    assert (source[:, 0] == MonthSource.NONE).all()
    assert (source[:, 1:] == MonthSource.FAMILY).all()


def test_a_borrowed_season_is_free_of_reader_bias(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(23, vans=15, family_size=3, fleets=60, per_month=2, missing=0.0)
    rng = np.random.default_rng(4)
    in_winter = rng.random(len(fleet.van)) < np.where(fleet.month < 3, 0.8, 0.2)
    fleet = replace(fleet, reader=in_winter.astype(np.int64))
    shaken = fleet.plus(season(fleet, 3.0) + 4.0 * (fleet.reader == 1))
    effects = shaken.fit().months
    assert (effects.source == MonthSource.ALL_FAMILIES).all()
    by_month = np.array([effects.effect[effects.month == t].mean() for t in range(12)])
    assert by_month == pytest.approx(3.0 * np.cos(2 * np.pi * np.arange(12) / 12), abs=0.25)


def test_small_families_borrow_a_season_they_share(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(13, vans=15, family_size=3, fleets=60)
    fleet = fleet.kept((fleet.van != 0) | (fleet.month < 3))
    shaken = fleet.plus(season(fleet, 3.0))
    effects = shaken.fit()
    assert (effects.months.source == MonthSource.ALL_FAMILIES).all()
    error = shaken.van_means(effects.adjusted.reshape(fleet.value.shape)) - fleet.van_means(fleet.value)
    assert np.abs(error.mean(axis=1)).max() < 0.2


def test_small_families_borrow_nothing_where_seasons_disagree(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(14, vans=12, family_size=3, fleets=60)
    opposite = np.where(fleet.family % 2 == 0, 1.0, -1.0)
    effects = fleet.plus(season(fleet, 3.0) * opposite).fit()
    assert np.mean(effects.months.source == MonthSource.NONE) > 0.95


def test_small_families_borrow_nothing_where_there_is_no_season(make_fleet: MakeFleet) -> None:
    effects = make_fleet(15, vans=12, family_size=3, fleets=200).fit()
    assert np.mean(effects.months.source == MonthSource.NONE) > 0.8


def test_a_month_too_thin_for_its_family_is_aligned_with_the_others(
    make_fleet: MakeFleet, season: Season
) -> None:
    fleet = make_fleet(16, vans=18, family_size=6, fleets=60, missing=0.0)
    fleet = fleet.kept((fleet.family != 0) | (fleet.month != 0) | (fleet.van < 2))
    shaken = fleet.plus(season(fleet, 3.0))
    effects = shaken.fit()
    thin = (effects.months.family == 0) & (effects.months.month == 0)
    assert (effects.months.source[thin] == MonthSource.ALL_FAMILIES).all()
    rest = (effects.months.family == 0) & (effects.months.month == 6)
    swing = effects.months.effect[thin] - effects.months.effect[rest]
    assert swing.mean() == pytest.approx(6.0, abs=0.15)


def test_a_thin_month_between_two_others_takes_their_mean(make_fleet: MakeFleet, season: Season) -> None:
    fleet = make_fleet(20, vans=8, family_size=8, fleets=60, missing=0.0)
    fleet = fleet.kept((fleet.month != 1) | (fleet.van < 3))
    effects = fleet.plus(season(fleet, 3.0)).fit()
    by_month = effects.months.effect.reshape(60, 12)
    assert (effects.months.source.reshape(60, 12)[:, 1] == MonthSource.NEIGHBOURS).all()
    assert np.allclose(by_month[:, 1], (by_month[:, 0] + by_month[:, 2]) / 2)
    gap = replace(fleet, month=np.where(fleet.month > 1, fleet.month + 1, fleet.month))
    assert (gap.fit().months.source.reshape(60, 12)[:, 1] == MonthSource.NONE).all()


def test_identical_readings_of_a_coarse_sensor(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(17, fleets=10)
    coarse = replace(fleet, value=np.full_like(fleet.value, 14.0))
    assert np.allclose(coarse.fit().adjusted, 14.0)
    stepped = replace(fleet, value=np.round(fleet.value * 0.3))
    effects = stepped.plus(2.0 * (fleet.month == 3)).fit()
    assert np.isfinite(effects.adjusted).all()
    month = effects.months
    jump = month.effect[month.month == 3].mean() - month.effect[month.month != 3].mean()
    assert jump == pytest.approx(2.0, abs=0.25)


def test_no_rows_and_one_row() -> None:
    none = np.empty(0, np.int64)
    assert len(fit_effects(none, none, none, none, none, none).adjusted) == 0
    one = np.zeros(1, np.int64)
    assert fit_effects([12.5], one, one, one, one, one).adjusted == pytest.approx(12.5)


def test_wrong_input_is_refused() -> None:
    zero = np.zeros(2, np.int64)
    with pytest.raises(ValueError, match="finite"):
        fit_effects([1.0, np.nan], zero, zero, zero, zero, zero)
    with pytest.raises(ValueError, match="one length"):
        fit_effects([1.0, 2.0], zero, zero[:1], zero, zero, zero)


def test_rules_are_settings(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(18, vans=3, fleets=3, missing=0.0)
    effects = fleet.fit(EffectRules(min_vans=3))
    assert (effects.months.source == MonthSource.FAMILY).all()


def test_no_loop_over_vans(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(19, vans=600, fleets=40, readers=3)
    begin = time.process_time()
    effects = fleet.fit()
    assert len(effects.adjusted) > 230_000
    assert time.process_time() - begin < 5.0  # about 0.4 s; benchmarks/effects_speed.py measures a million


def test_means_over_scans_give_what_the_scans_give(make_fleet: Callable[..., Fleet]) -> None:
    """Every figure of the fit, from single scans and from their means by van, month and reader."""
    fleet = make_fleet(31, per_month=3, fleets=1)
    value, zero = fleet.value[:, 0], 0 * fleet.van
    single = fit_effects(value, fleet.van, fleet.month, fleet.reader, zero, fleet.family)
    codes = np.column_stack([fleet.van, fleet.month, fleet.reader, fleet.family])
    known, row = np.unique(codes, axis=0, return_inverse=True)
    n_scans = np.bincount(row)
    van, month, reader, family = known.T
    summed = fit_effects(
        np.bincount(row, value) / n_scans, van, month, reader, 0 * van, family, n_scans=n_scans
    )
    assert len(van) < len(value)
    assert summed.months.effect == pytest.approx(single.months.effect, rel=1e-9)
    assert summed.readers.estimate == pytest.approx(single.readers.estimate, rel=1e-9, nan_ok=True)
    assert summed.variance_factor == pytest.approx(single.variance_factor, rel=1e-12)
    assert (summed.month_effect + summed.reader_effect)[row] == pytest.approx(
        single.month_effect + single.reader_effect, rel=1e-9
    )
