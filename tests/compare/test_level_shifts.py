"""The comparison of exposure levels where nothing is there, and where a shift is."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.compare.level_shifts import compare_levels


def test_no_exposure_is_called_one_in_twenty_times() -> None:
    """Type I error at 5 % of 4,000 comparisons in fleets of three cohorts without any effect: 3 to 7 %."""
    rng = np.random.default_rng(60)
    cells, sizes = 4000, (8, 6, 12)
    n = sum(sizes)
    value = rng.standard_normal((cells, n)) + np.repeat(rng.normal(0, 3, 3), sizes)
    stratum = np.repeat(np.arange(3), sizes)
    exposed = rng.random((cells, n)) < 0.4
    found = compare_levels(
        value.ravel(), np.tile(stratum, cells), exposed.ravel(), np.repeat(np.arange(cells), n), n_cells=cells
    )
    assert 0.03 <= np.mean(found.p < 0.05) <= 0.07
    covered = (found.low <= 0) & (found.high >= 0)
    assert 0.93 <= np.mean(covered) <= 0.98


def test_a_shift_moves_the_estimate_by_itself_and_not_the_p_value_of_the_cohorts() -> None:
    rng = np.random.default_rng(61)
    value, stratum = rng.standard_normal(20), np.repeat([0, 1], 10)
    exposed = np.tile([True, False], 10)
    cell = np.zeros(20, int)
    plain = compare_levels(value, stratum, exposed, cell)
    moved = compare_levels(value + 2.5 * exposed + 40.0 * stratum, stratum, exposed, cell)
    assert moved.shift[0] == pytest.approx(plain.shift[0] + 2.5)
    assert compare_levels(value + 40.0 * stratum, stratum, exposed, cell).p[0] == pytest.approx(plain.p[0])
