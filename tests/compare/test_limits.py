"""The reader's own limits against whole cohorts. Expected counts are worked out by hand beside each case."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.compare.intervals import wilson
from pipeline.compare.limits import OutsideCounts, count_outside, judge_limits, spread_of_siblings

NONE = 9  # any other figure: the reader marked nothing
NAN = float("nan")


def _count(rows: list[tuple[int, int, float, float, float, int]]) -> OutsideCounts:
    columns = list(zip(*rows, strict=True))
    return count_outside(*columns)


def test_the_van_is_the_unit() -> None:
    # van 1 has ten scans outside, van 2 and 3 one each inside: one van of three, not ten rows of twelve
    counts = _count([(0, 1, 12.0, 0.0, 10.0, NONE)] * 10 + [(0, v, 9.0, 0.0, 10.0, NONE) for v in (2, 3)])
    assert (counts.n_vans[0], counts.n_outside[0], counts.n_scans[0]) == (3, 1, 12)
    assert (counts.n_above[0], counts.n_below[0]) == (1, 0)


def test_the_median_of_a_vans_scans_decides() -> None:
    counts = _count(
        [(0, 1, x, 5.0, 10.0, NONE) for x in (9.0, 9.0, 30.0)]
        + [(0, 2, x, 5.0, 10.0, NONE) for x in (4.0, 4.0, 9.0)]
    )
    assert (counts.n_vans[0], counts.n_above[0], counts.n_below[0]) == (2, 0, 1)


def test_marks_count_by_majority_of_marked_scans() -> None:
    rows = [
        *((0, 1, 8.0, NAN, NAN, m) for m in (1, 1, 0)),  # high in 2 of 3
        *((0, 2, 8.0, NAN, NAN, m) for m in (1, 0)),  # half is no majority
        *((0, 3, 8.0, NAN, NAN, m) for m in (2, 2)),  # outside, side not said
        *((0, 4, 8.0, NAN, NAN, m) for m in (-1, NONE, NONE)),  # the only marked scan is low
    ]
    counts = _count(rows)
    assert (counts.n_vans[0], counts.n_outside[0], counts.n_above[0], counts.n_below[0]) == (4, 3, 1, 1)
    assert counts.n_scans[0] == 8


def test_one_limit_is_enough_and_none_is_not_judged() -> None:
    counts = _count(
        [(7, 1, 12.0, NAN, 10.0, NONE), (7, 2, 12.0, 14.0, NAN, NONE), (8, 1, 12.0, NAN, NAN, NONE)]
    )
    assert counts.group.tolist() == [7]
    assert (counts.n_above[0], counts.n_below[0]) == (1, 1)


def test_a_value_on_the_limit_is_inside_after_conversion_too() -> None:
    kg_per_h = 36 / 3.6  # 10 g/s
    counts = _count(
        [(0, v, 0.1 + 0.2, 0.0, 0.3, NONE) for v in range(3)] + [(1, 1, kg_per_h, 10.0, 12.0, NONE)]
    )
    assert counts.n_outside.tolist() == [0, 0]


def test_rows_in_any_order_and_missing_values() -> None:
    rng = np.random.default_rng(3)
    rows = [
        (int(g), int(v), float(x), 4.0, 6.0, NONE)
        for g in range(4)
        for v in range(5)
        for x in rng.normal(5, 1, 3)
    ]
    shuffled = [rows[i] for i in rng.permutation(len(rows))] + [(2, 9, NAN, 4.0, 6.0, 1)]
    for a, b in zip(vars(_count(rows)).values(), vars(_count(shuffled)).values(), strict=True):
        assert np.array_equal(a, b)


def test_nothing_and_unequal_lengths() -> None:
    none = np.empty(0)
    assert len(count_outside(none, none, none, none, none, none).group) == 0
    with pytest.raises(ValueError, match="one length"):
        count_outside([1], [1, 2], [1.0], [1.0], [1.0], [0])


@pytest.mark.parametrize(
    ("vans", "above", "below", "tier", "side"),
    [
        (8, 7, 0, "finding", "above"),
        (8, 0, 6, "finding", "below"),  # 0.75
        (10, 7, 0, "watch", "above"),  # 0.70 is not above 0.70
        (5, 4, 0, "finding", "above"),
        (4, 4, 0, "likely", "above"),
        (3, 3, 0, "likely", "above"),
        (2, 2, 0, "not_enough_evidence", "above"),
        (9, 5, 0, "watch", "above"),
        (8, 4, 0, "none", "above"),
        (8, 0, 0, "none", ""),
        (10, 5, 4, "finding", "both"),
        (10, 9, 1, "finding", "above"),
        (0, 0, 0, "not_enough_evidence", ""),
    ],
)
def test_tiers_and_sides(vans: int, above: int, below: int, tier: str, side: str) -> None:
    verdict = judge_limits(vans, above + below, above, below)
    assert verdict.tier.tolist() == [tier]
    assert verdict.side.tolist() == [side]
    low, high = wilson(above + below, vans)
    assert (verdict.low[0], verdict.high[0]) == (low, high)


def test_thresholds_are_settings() -> None:
    assert judge_limits(8, 6, 6, 0, suspect_share=0.8).tier[0] == "watch"
    assert judge_limits(8, 7, 7, 0, finding_vans=9).tier[0] == "likely"
    assert judge_limits(4, 4, 4, 0, min_vans=5).tier[0] == "not_enough_evidence"


def test_siblings_agree_but_for_the_odd_one() -> None:
    # median 10.0; distances 0, 0, .1, .2, .3, .4, .4, .5, 5: eight of nine within 0.5 = 5 %
    level = [10.0, 10.0, 10.1, 9.8, 9.7, 10.4, 9.6, 10.5, 15.0]
    found = spread_of_siblings([4] * 9, level)
    assert found.median[0] == 10.0
    assert found.within[0] == pytest.approx(0.5)
    assert found.percent[0] == pytest.approx(5.0)
    assert (found.n_within[0], found.n_vans[0], found.group[0]) == (8, 9, 4)


def test_agreement_near_zero_has_no_percent() -> None:
    found = spread_of_siblings([0, 0, 0, 1, 1, 1], [-0.1, 0.0, 0.1, 5.0, 5.0, 5.0])
    assert np.isnan(found.percent[0])
    assert found.percent[1] == 0.0
    assert found.n_within.tolist() == [3, 3]
