"""The reader's own limits against whole cohorts. Expected counts are worked out by hand beside each case."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.compare.intervals import wilson
from pipeline.compare.limits import judge_limits, spread_of_siblings


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
