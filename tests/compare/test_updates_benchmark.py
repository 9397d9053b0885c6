"""A short, seeded version of `tests/benchmarks/reader_updates.py`: steps at readers' updates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.build.effects import fit_levels
from pipeline.build.reader_updates import judge, shifts_of
from pipeline.settings import Settings
from tests.benchmarks.reader_updates import NO_CHANGE, count
from tests.benchmarks.update_aftermath import look_at, take_off
from tests.benchmarks.update_fleets import Fleet, draw_fleet


def test_updates_that_changed_nothing_are_seldom_told() -> None:
    found = count(NO_CHANGE, range(20))
    assert found.judged.sum() == 40
    assert (found.false_updates > 0).sum() <= 4  # 1 expected at 5 %; 5 or more by chance 3 times in 1,000
    p = np.concatenate(found.p)
    assert 0.02 <= np.mean(p <= 0.05) <= 0.09  # 960 tests, states of a reading alike


def test_weather_is_not_taken_for_an_update_where_yards_keep_a_reader_for_a_fortnight() -> None:
    found = count(replace(NO_CHANGE, turns=14, weather=1.0), range(12))
    assert found.judged.sum() == 24
    assert found.false_updates.sum() <= 5  # with the vans of a fortnight taken for independent 17


def test_a_step_is_found_and_its_interval_holds_it_even_with_few_scans() -> None:
    found = count(Fleet(scans=4, shift=6.0), range(12))
    assert found.is_found.all()
    assert found.is_covered.sum() >= 18  # of 24
    assert abs(found.error.mean()) < 0.5


def test_a_step_left_in_is_told_as_biases_that_are_none() -> None:
    fleets = [draw_fleet(Fleet(shift=4.0, biases=0.0), seed) for seed in range(2)]
    seen = [{way: look_at(scans, *got) for way, got in take_off(scans).items()} for scans in fleets]
    false = {way: sum(one[way].false_biases for one in seen) for way in seen[0]}
    left_in, _, built, never = false.values()
    assert never == 0
    assert left_in >= 4
    assert built <= 1


CROWDED = Fleet(scans=4, updates=((0, 0), (1, -60), (2, 60)))


def test_a_step_is_not_lent_to_readers_updated_near_it() -> None:
    """Nor to the months: what is judged of the others is the same, however far one reader moved."""
    key = ["reader", "parameter", "state"]
    for seed in range(3):
        still, moved = (
            judge(draw_fleet(replace(CROWDED, shift=shift), seed).levels, Settings()) for shift in (0.0, 6.0)
        )
        own = (pl.col("reader") == "0") & (pl.col("parameter") == "0")
        both = still.join(moved, on=key, suffix="_moved").filter(~own)
        assert both.height == 70
        assert both["step_moved"].to_numpy() == pytest.approx(both["step"].to_numpy(), abs=1e-9)
        assert both["p_moved"].to_numpy() == pytest.approx(both["p"].to_numpy(), abs=1e-6)


def test_a_crowded_step_is_within_its_interval() -> None:
    found = count(replace(CROWDED, shift=6.0), range(12))
    assert found.is_found.all()
    assert (
        found.is_covered.sum() >= 19
    )  # of 24; fewer than 20 by chance 1 time in 50, states being alike oftener


def test_what_is_taken_off_is_the_sum_of_the_steps_shown() -> None:
    levels = draw_fleet(replace(CROWDED, shift=6.0), 0).levels
    built = fit_levels(levels, Settings())[1]
    for _, rows in built.sort("since").group_by("reader", "parameter", "state"):
        steps = np.where(rows["is_shown"], rows["step"].fill_null(0.0), 0.0)
        assert rows["shift"].to_numpy() == pytest.approx(np.cumsum(steps))
    assert np.abs(shifts_of(levels, built)).max() == pytest.approx(np.abs(built["shift"]).max())


def test_a_step_that_may_be_negligible_is_not_shown() -> None:
    """A tenth of the smallest useful difference: 0.1 of 1, and 1.1 of 11 for a step of 1."""
    levels = draw_fleet(Fleet(shift=1.0), 0).levels
    own = (pl.col("reader") == "0") & (pl.col("parameter") == "0")
    worth, too_small = (judge(levels, Settings(), {"0": useful}).filter(own) for useful in (1.0, 11.0))
    assert worth["is_shown"].all()
    assert not too_small["is_shown"].any()
    assert too_small["low"].to_list() == worth["low"].to_list()
