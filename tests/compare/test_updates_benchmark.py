"""A short, seeded version of `tests/benchmarks/reader_updates.py`: steps at readers' updates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.build.effects import fit_levels, fit_months
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


TWICE = draw_fleet(Fleet(scans=4, shift=6.0, updates=((0, 0), (0, 150), (1, 60))), 3).levels


@pytest.fixture(scope="module")
def moved() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Steps of two updates of one reader and one of another: as first judged, and as the build leaves them."""
    first = fit_months(TWICE)
    judged = judge(replace(TWICE, value=TWICE.value - first.season - first.bias), Settings())
    return judged, fit_levels(TWICE, Settings())[1]


def test_what_is_told_stays_what_the_first_look_told(moved: tuple[pl.DataFrame, pl.DataFrame]) -> None:
    judged, built = moved
    kept = [c for c in judged.columns if c not in ("step", "low", "high", "shift")]
    assert_frame_equal(judged.select(kept), built.select(kept))
    quiet = ~judged["is_shown"]
    assert_frame_equal(judged.filter(quiet).drop("shift"), built.filter(quiet).drop("shift"))
    assert judged["is_shown"].any()
    assert not judged["is_shown"].all()


def test_what_is_taken_off_is_the_sum_of_the_steps_measured_last(
    moved: tuple[pl.DataFrame, pl.DataFrame],
) -> None:
    _, built = moved
    for _, rows in built.sort("since").group_by("reader", "parameter", "state"):
        steps = np.where(rows["is_shown"], rows["step"].fill_null(0.0), 0.0)
        assert rows["shift"].to_numpy() == pytest.approx(np.cumsum(steps))
    off = shifts_of(TWICE, built)
    assert np.abs(off).max() == pytest.approx(np.abs(built["shift"]).max())
