"""A short, seeded version of `tests/benchmarks/reader_updates.py`: steps at readers' updates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.build.effects import fit_levels, fit_months
from pipeline.build.levels import Levels
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


def test_a_step_is_found_and_its_interval_holds_it_even_with_few_scans() -> None:
    found = count(Fleet(scans=4, shift=6.0), range(12))
    assert found.is_found.all()
    assert found.is_covered.sum() >= 18  # of 24; before it was measured again, half
    assert abs(found.error.mean()) < 0.5


def test_a_step_left_in_is_told_as_biases_that_are_none() -> None:
    fleets = [draw_fleet(Fleet(shift=4.0, biases=0.0), seed) for seed in range(2)]
    seen = [{way: look_at(scans, *got) for way, got in take_off(scans).items()} for scans in fleets]
    false = {way: sum(one[way].false_biases for one in seen) for way in seen[0]}
    left_in, _, _, built, never = false.values()
    assert never == 0
    assert left_in >= 4
    assert built <= 1


CROWDED = Fleet(scans=4, shift=6.0, updates=((0, 0), (1, -60), (2, 60)))


@pytest.fixture(scope="module")
def crowded() -> list[tuple[Levels, pl.DataFrame, pl.DataFrame]]:
    """Fleets whose three readers are updated within four months, one in earnest: first look, and as the build leaves it."""
    found = []
    for seed in range(6):
        levels = draw_fleet(CROWDED, seed).levels
        first = fit_months(levels)
        judged = judge(replace(levels, value=levels.value - first.season - first.bias), Settings())
        found.append((levels, judged, fit_levels(levels, Settings())[1]))
    return found


def test_readings_that_no_update_moved_stay_as_first_judged(
    crowded: list[tuple[Levels, pl.DataFrame, pl.DataFrame]],
) -> None:
    for _, judged, built in crowded:
        key = ["reader", "parameter", "state"]
        quiet = judged.filter(~pl.col("is_shown").any().over("parameter", "state")).select(
            *key, "step", "n_vans"
        )
        assert quiet.height > 60
        assert_frame_equal(
            quiet, quiet.select(key).join(built, on=key, maintain_order="left").select(quiet.columns)
        )


def test_a_step_is_not_lent_to_readers_updated_near_it(
    crowded: list[tuple[Levels, pl.DataFrame, pl.DataFrame]],
) -> None:
    is_other = (pl.col("reader") != "0") & (pl.col("parameter") == "0")
    lent = [np.abs(np.array(frame.filter(is_other)["step"].drop_nulls())).mean() for _, _, frame in crowded]
    was = [np.abs(np.array(frame.filter(is_other)["step"].drop_nulls())).mean() for _, frame, _ in crowded]
    assert np.mean(lent) < 0.7 * np.mean(was)


def test_what_is_taken_off_is_the_sum_of_the_steps_shown(
    crowded: list[tuple[Levels, pl.DataFrame, pl.DataFrame]],
) -> None:
    levels, _, built = crowded[0]
    for _, rows in built.sort("since").group_by("reader", "parameter", "state"):
        steps = np.where(rows["is_shown"], rows["step"].fill_null(0.0), 0.0)
        assert rows["shift"].to_numpy() == pytest.approx(np.cumsum(steps))
    assert np.abs(shifts_of(levels, built)).max() == pytest.approx(np.abs(built["shift"]).max())
