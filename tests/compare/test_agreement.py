"""Agreement of two readers, held against a published pair of meters."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.compare.agreement import compare_pairs

# Bland and Altman 1986, Lancet i:307-310, first readings of the large and the mini flow meter (L/min).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_large_and_mini_meter() -> None:
    n = len(LARGE)
    found = compare_pairs(LARGE, MINI, np.arange(n), np.zeros(n, int))
    assert (found.n_vans[0], found.n_pairs[0]) == (17, 17)
    assert found.bias[0] == pytest.approx(-2.1176470588)
    assert found.sd[0] == pytest.approx(38.7651298736)
    # the paper rounds z to 2; at 1.96 the limits are -78.1 and 73.9
    assert (found.lower[0], found.upper[0]) == pytest.approx((-78.1, 73.9), abs=0.05)
    assert found.bias_low[0] < 0 < found.bias_high[0]
    assert found.lower_low[0] < found.lower[0] < found.lower_high[0]


def test_several_pairs_of_a_van_do_not_make_more_vans() -> None:
    once = compare_pairs([1.0, 2.0, 4.0], [0.0, 1.5, 3.0], [0, 1, 2], [0, 0, 0])
    thrice = compare_pairs([1.0, 2.0, 4.0] * 3, [0.0, 1.5, 3.0] * 3, [0, 1, 2] * 3, [0] * 9)
    assert thrice.bias[0] == pytest.approx(once.bias[0])
    assert thrice.bias_high[0] == pytest.approx(once.bias_high[0])
    assert (thrice.n_vans[0], thrice.n_pairs[0]) == (3, 9)


def test_identical_differences_are_no_surer_than_one_step_of_the_reading() -> None:
    # by hand: each of three vans differs by 1 step of 1; the variance is held at 1 / 6, so the error of the mean is
    # sqrt(1 / 18) = 0.2357, t = 4.243 with 2 degrees of freedom, p = 0.0513
    found = compare_pairs([11.0, 12.0, 16.0], [10.0, 11.0, 15.0], [0, 1, 2], [0, 0, 0])
    assert found.p[0] == pytest.approx(0.0513, abs=5e-4)
    assert found.bias_low[0] < 1 < found.bias_high[0]
    finer = compare_pairs([11.0, 12.0, 16.0], [10.0, 11.0, 15.0], [0, 1, 2], [0, 0, 0], resolution=[0.1])
    assert 0 < finer.p[0] < found.p[0]
    same = compare_pairs([5.0, 5.0], [5.0, 5.0], [0, 1], [0, 0])
    assert same.p[0] == 1.0
    unknown = compare_pairs([5.0, 5.0], [5.0, 5.0], [0, 1], [0, 0], resolution=[np.nan])
    assert unknown.bias[0] == 0.0


def test_a_straight_line_of_differences_is_not_certain_either() -> None:
    value = np.array([10.0, 20.0, 30.0, 40.0, 50.0])
    found = compare_pairs(value, value - np.arange(5), np.arange(5), np.zeros(5, int), resolution=[1.0])
    assert found.slope_p[0] > 0
