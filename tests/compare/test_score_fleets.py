"""A short, seeded version of `tests/benchmarks/healthy_fleets.py`: does the score still keep its promises."""

from __future__ import annotations

import time

import numpy as np
import pytest

from pipeline.compare.score import NullTables
from tests.benchmarks.healthy_fleets import MIXED, Setting, count_false_findings, count_found, simulate_fleet
from tests.benchmarks.healthy_fleets import score_fleet as score

FLEETS = range(30)


@pytest.mark.parametrize(
    "cohorts",
    [MIXED, (5,) * 16, (17,) * 5, (24, 5, 5)],
    ids=["mixed", "4 siblings", "16 siblings", "few cohorts"],
)
def test_healthy_fleets_stay_quiet(cohorts: tuple[int, ...]) -> None:
    # target: at most 0.2 false findings a fleet of about 1,500 cells. 14 or more in 30 fleets would have a
    # chance below 0.3 % at 0.2 a fleet (Poisson), and is sure at the 7 % to 40 % false discoveries of naive rules.
    plain, robust = count_false_findings(Setting(cohorts), FLEETS)
    assert plain.sum() <= 13
    assert robust.sum() <= 2


@pytest.mark.parametrize(
    ("siblings", "sigma", "least"),
    [(4, 6.0, 0.45), (8, 6.0, 0.65), (16, 6.0, 0.80), (4, 8.0, 0.85), (8, 8.0, 0.92), (16, 8.0, 0.95)],
)
def test_planted_faults_are_found(siblings: int, sigma: float, least: float) -> None:
    # targets .25 / .75 / .90 at 6 sigma and .85 / .97 / .99 at 8; 60 faults leave +- .10 of chance
    vans = siblings + 1
    result = count_found(Setting((vans,) * (82 // vans), d0=np.inf), sigma, 2, FLEETS)
    assert result.planted.sum() == 60
    assert result.found.sum() / 60 >= least
    assert result.false.sum() <= 8


def test_a_small_cohort_does_not_set_the_bar_for_large_ones() -> None:
    # pooling the null over sizes lost every fault of 8 sigma in mixed fleets
    result = count_found(Setting(MIXED, d0=np.inf), 8.0, 2, FLEETS)
    assert result.found.sum() / 60 >= 0.92
    assert result.false.sum() <= 8


def test_scatter_of_cohort_variances_is_recovered_from_small_cohorts() -> None:
    # truth: d0 = 8 in cohorts of five. Plain logarithms gave anything from 4 to inf, since four vans that agree
    # by chance after one was marked have a logarithm far below all others
    found = [score(simulate_fleet(np.random.default_rng([7, f]), Setting((5,) * 16))[0]).d0 for f in FLEETS]
    assert 6.5 < np.median(found) < 13
    assert np.quantile(found, 0.1) > 4.5
    assert np.isfinite(found).mean() > 0.85


def test_changes_are_found_earlier_than_levels() -> None:
    # target .97 at 3 sigma with 8 siblings, 8 + 4 scans
    setting = Setting((9,) * 9, d0=np.inf, noise=0.25, is_change=True)
    assert count_found(setting, 3.0, 2, FLEETS).found.sum() / 60 >= 0.90
    assert count_false_findings(setting, FLEETS)[0].sum() <= 13


def test_heavy_tailed_vans_rarely_earn_the_robust_mark() -> None:
    plain, robust = count_false_findings(Setting(MIXED, law_df=8.0), FLEETS)
    assert robust.sum() <= 4
    assert plain.sum() > robust.sum()


def test_a_large_fleet_scores_in_seconds() -> None:
    cells, _ = simulate_fleet(np.random.default_rng(0), Setting(MIXED * 12, measures=100))
    small, _ = simulate_fleet(np.random.default_rng(0), Setting((12,) * 5, measures=100))
    NullTables.load()
    start = time.process_time()
    scores = score(cells)
    assert time.process_time() - start < 10
    assert scores.cells_tested == 96_000
    start = time.process_time()
    score(small)
    assert time.process_time() - start < 1
