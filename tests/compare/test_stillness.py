"""Readings that stand still: hand-worked chances, scipy's binomial law, and silence where nobody can tell."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from pipeline.compare.stillness import judge_stillness


def test_a_van_that_took_no_chance_while_its_siblings_take_most() -> None:
    """Siblings took 9, 8, 7, 9 and 2 of 9 chances: shares .95 .85 .75 .95 .25, lower quartile .75 (by hand)."""
    found = judge_stillness(
        np.zeros(6, dtype=int),
        np.array([6, 9, 9, 9, 9, 9]),
        np.array([0, 9, 8, 7, 9, 2]),
        np.array([True, False, False, False, False, False]),
    )
    assert found.share[0] == pytest.approx(0.75)
    # The chance of no success in six trials, second implementation: scipy's binomial law.
    assert found.p[0] == pytest.approx(binom.pmf(0, 6, 0.75))
    assert found.n_siblings[0] == 5
    assert found.p[1:].tolist() == [1.0] * 5


def test_a_reading_that_moves_on_nobody_accuses_nobody() -> None:
    n = 6
    found = judge_stillness(
        np.zeros(n, dtype=int), np.full(n, 8), np.zeros(n, dtype=int), np.ones(n, dtype=bool)
    )
    assert found.p.min() > 0.5


def test_too_few_siblings_or_chances_say_nothing() -> None:
    group = np.array([0, 0, 0, 1, 1, 1, 1])
    chances = np.array([9, 9, 9, 9, 2, 2, 2])
    moved = np.array([0, 9, 9, 0, 2, 2, 2])
    found = judge_stillness(group, chances, moved, moved == 0)
    assert np.isnan(found.p[[0, 3]]).all()


def test_one_more_stuck_sibling_does_not_silence_the_others() -> None:
    moved = np.array([0, 0, 9, 9, 9, 9, 9, 9, 9])
    found = judge_stillness(np.zeros(9, dtype=int), np.full(9, 9), moved, moved == 0)
    assert (found.p[:2] < 1e-6).all()


def test_false_alarms_among_vans_that_move_like_their_siblings() -> None:
    """Two thousand healthy vans that move in half of six chances: hardly any p below 0.001 (seeded)."""
    rng = np.random.default_rng(20261125)
    moved = rng.binomial(6, 0.5, 2000)
    found = judge_stillness(np.repeat(np.arange(250), 8), np.full(2000, 6), moved, moved == 0)
    assert np.mean(found.p < 0.001) <= 0.001


def test_the_quartile_of_the_others_is_numpys() -> None:
    """Row by row with `numpy.quantile` over the others of the group, groups mixed, some vans without chances enough."""
    rng = np.random.default_rng(7)
    group, chances = rng.integers(0, 9, 80), rng.integers(0, 8, 80)
    moved = rng.binomial(chances, 0.4)
    found = judge_stillness(group, chances, moved, moved == 0)
    for row in range(80):
        others = (group == group[row]) & (chances >= 3) & (np.arange(80) != row)
        assert found.n_siblings[row] == others.sum()
        taken = (moved[others] + 0.5) / (chances[others] + 1.0)
        wanted = np.quantile(taken, 0.25) if others.sum() >= 3 else np.nan
        assert found.share[row] == pytest.approx(wanted, nan_ok=True)
