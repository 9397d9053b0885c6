"""How many vans decide something: published sample sizes of the paired t test."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.compare.power import paired_power, pairs_needed


@pytest.mark.parametrize(("ratio", "pairs"), [(0.2, 199), (0.5, 34), (0.8, 15)])
def test_sample_sizes_of_cohens_small_middle_and_large_effect(ratio: float, pairs: int) -> None:
    # two-sided 5 %, power 80 %: 199, 34 and 15 pairs, as common tables after Cohen 1988 give (from memory)
    assert paired_power(ratio, pairs) >= 0.80 > paired_power(ratio, pairs - 1)


def test_the_chance_is_what_simulation_gives() -> None:
    rng = np.random.default_rng(12)
    d = 1.2 + rng.standard_normal((20_000, 7))
    t = d.mean(axis=1) / d.std(axis=1, ddof=1) * np.sqrt(7)
    assert paired_power(1.2, 7) == pytest.approx((np.abs(t) > 2.446912).mean(), abs=0.01)  # t law, 6 df


def test_nothing_to_find_is_the_level_of_the_test() -> None:
    assert paired_power(0.0, 10) == pytest.approx(0.05, abs=1e-4)


def test_the_number_has_a_floor_and_an_end() -> None:
    assert pairs_needed(5.0, 1.0, least=6) == 6
    assert pairs_needed(0.5, 1.0) == 34
    assert pairs_needed(0.01, 1.0) is None
    assert pairs_needed(None, 1.0) is None
    assert pairs_needed(1.0, None) is None
    assert pairs_needed(1.0, 0.0, least=4) == 4
