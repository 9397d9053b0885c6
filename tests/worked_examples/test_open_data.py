"""Open data sets with a known answer, through the project's own comparisons as if they were fleets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from scipy import stats

from pipeline.compare.level_shifts import compare_levels
from pipeline.compare.score import Cells, NullTables, Rules, Scores, score_cells
from pipeline.compare.score_passes import mark_suspects

Example = Callable[[str], dict[str, Any]]


def _score(values: Sequence[float]) -> Scores:
    """Score one reading of one cohort, a value a van."""
    vans = len(values)
    one, unknown = np.zeros(vans, int), np.full(1, np.nan)
    cells = Cells(
        one,
        one,
        np.array(values, float),
        np.ones(vans),
        np.zeros(1),
        unknown,
        unknown,
        scans=np.full(vans, 9.0),
    )
    return score_cells(cells, NullTables.load(), Rules())


def test_warning_signs_slow_nobody_down_for_sure_once_pairs_are_respected(example: Example) -> None:
    """Every car counted as evidence of its own gives six standard errors; fourteen pairs of sites give p = 0.10."""
    sites = np.array(example("amis_signs")["inputs"]["pairs"])  # pair x (sign, none) x period x (mean, sd, n)
    mean, sd, n = np.moveaxis(sites.reshape(14, 2, 3, 3), -1, 0)
    for period, is_sure_by_rows in ((1, True), (2, False)):
        change = (mean[:, 0, period] - mean[:, 0, 0]) - (mean[:, 1, period] - mean[:, 1, 0])
        error = np.sqrt((sd**2 / n)[:, :, [0, period]].sum()) / len(change)
        assert (stats.norm.sf(abs(change.mean()) / error) * 2 < 1e-6) == is_sure_by_rows
        found = compare_levels([], [], [], [], pair_difference=change, pair_cell=np.zeros(14, int), n_cells=1)
        assert found.p[0] == pytest.approx(stats.wilcoxon(change, method="exact").pvalue)
        assert found.p[0] > 0.05
        assert found.low[0] < 0 < found.high[0]


@pytest.mark.parametrize("column", ["X1", "X2", "X3"])
def test_fourteen_points_that_hide_each_other(example: Example, column: str) -> None:
    case = example("hbk_points")
    is_marked = mark_suspects(np.array([case["inputs"][column]]), np.array([0.1]))[0]
    assert (np.flatnonzero(is_marked) + 1).tolist() == case["expected"]["outlying_rows"]


def test_four_giants_among_the_stars(example: Example) -> None:
    """The four giants are the clearest four; two stars cooler than the main sequence (7 and 14) follow."""
    case = example("stars_cyg")
    scores = _score(case["inputs"]["log_temperature"])
    assert sorted(np.argsort(scores.p, kind="stable")[:4] + 1) == case["expected"]["giants"]
    named = np.flatnonzero(scores.tier_names == "finding") + 1
    assert set(case["expected"]["giants"]) <= set(named) <= {7, 14, *case["expected"]["giants"]}


def test_no_engine_stands_out_by_its_valve_seats(example: Example) -> None:
    """Four replacements where most have none or one look like a bad engine; among forty-one they are chance."""
    case = example("valve_seats")["inputs"]
    a_year = np.array(case["replacements"]) / np.array(case["days"]) * 365
    for values in (a_year, case["replacements"]):
        scores = _score(values)
        assert scores.is_scored.all()
        assert not np.isin(scores.tier_names, ["finding", "likely"]).any()
