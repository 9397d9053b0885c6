"""Fourfold tables against statsmodels, scipy and examples of R's help pages. Berkeley: tests/worked_examples."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.stats.contingency import odds_ratio
from statsmodels.stats.contingency_tables import StratifiedTable

from pipeline.compare.tables import associate, exact_association, is_sparse, mantel_haenszel

Ints = NDArray[np.int64]

# Penicillin and rabbits (Agresti 1990, pages 231-237; Mantel 1963): cured and died, injected at once or 1.5 h late,
# at five strengths. Data and the printed results below are those of R's help page of mantelhaen.test, from memory.
RABBITS = np.array([[[0, 6], [0, 5]], [[3, 3], [0, 6]], [[6, 0], [2, 4]], [[5, 1], [6, 0]], [[2, 0], [5, 0]]])


def _random_tables(seed: int, strata: int) -> Ints:
    return np.random.default_rng(seed).integers(1, 12, (strata, 2, 2))


@pytest.mark.parametrize("strata", [1, 2, 5, 12])
def test_mantel_haenszel_equals_statsmodels(strata: int) -> None:
    tables = _random_tables(strata, strata)
    ratio, low, high, p = mantel_haenszel(tables)
    other = StratifiedTable(list(tables.astype(float)))
    assert ratio == pytest.approx(other.oddsratio_pooled, rel=1e-12)
    assert (low, high) == pytest.approx(other.oddsratio_pooled_confint(), rel=1e-9)
    assert p == pytest.approx(other.test_null_odds(correction=False).pvalue, rel=1e-9)


@pytest.mark.parametrize("table", [[[3, 1], [1, 3]], [[2, 15], [10, 3]], [[7, 1], [2, 6]], [[0, 4], [3, 5]]])
def test_one_stratum_is_fishers_test(table: list[list[int]]) -> None:
    ratio, low, high, p, _ = exact_association([table])
    assert p == pytest.approx(stats.fisher_exact(table).pvalue, rel=1e-9)
    other = odds_ratio(np.array(table), kind="conditional")
    ends = other.confidence_interval(0.95)
    assert ratio == pytest.approx(other.statistic, rel=1e-6)
    assert (low, high) == pytest.approx((ends.low, ends.high), rel=1e-6)


def test_counts_of_the_trade_s_own_warning() -> None:
    """7 of 8 against 2 of 8 gives 0.041, 5 of 6 against 1 of 6 gives 0.080 (Fisher, two-sided; arithmetic)."""
    assert exact_association([[[7, 1], [2, 6]]])[3] == pytest.approx(0.041, abs=5e-4)
    assert exact_association([[[5, 1], [1, 5]]])[3] == pytest.approx(0.080, abs=5e-4)


def test_tea_is_tasted_as_fisher_printed() -> None:
    """Fisher 1935, The Design of Experiments: 3 of 4 cups; 17/70 one-sided, twice that two-sided."""
    assert exact_association([[[3, 1], [1, 3]]])[3] == pytest.approx(34 / 70)


def test_rabbits_over_strata() -> None:
    ratio, low, high, p = mantel_haenszel(RABBITS)
    assert (ratio, low, high) == pytest.approx((7.0, 1.026713, 47.725133), rel=1e-6)
    ratio, _, _, p, _ = exact_association(RABBITS)
    assert p == pytest.approx(0.03994, abs=5e-6)
    assert ratio == pytest.approx(10.361, abs=5e-4)
    found = associate(RABBITS)
    assert found.method == "exact"
    assert found.p == pytest.approx(p)
    assert (found.n_strata, found.n) == (3, 36)  # nobody was cured at the least, nobody died at the most


def test_the_exact_test_agrees_with_trying_all_tables() -> None:
    """Two strata by brute force: every pair of tables with these margins, weighed by its chance."""
    tables = np.array([[[3, 2], [1, 4]], [[2, 5], [4, 1]]])
    chances: dict[int, float] = {}
    ranges = []
    for (a, b), (c, d) in tables:
        n, m, w = a + b + c + d, a + b, a + c
        ranges.append([(x, stats.hypergeom.pmf(x, n, m, w)) for x in range(max(0, w - c - d), min(m, w) + 1)])
    for x, px in ranges[0]:
        for y, py in ranges[1]:
            chances[x + y] = chances.get(x + y, 0.0) + px * py
    seen = chances[5]
    expected = sum(chance for chance in chances.values() if chance <= seen * (1 + 1e-9))
    assert exact_association(tables)[3] == pytest.approx(expected)


def test_exact_intervals_cover_as_often_as_they_say() -> None:
    """1,500 tables of 9 against 9 vans at an odds ratio of 4: at least 95 % of intervals hold it."""
    rng = np.random.default_rng(5)
    truth, p_other = 4.0, 0.3
    odds = truth * p_other / (1 - p_other)
    a, c = rng.binomial(9, odds / (1 + odds), 1500), rng.binomial(9, p_other, 1500)
    held = [
        low <= truth <= high
        for _, low, high, _, _ in (
            exact_association([[[x, 9 - x], [y, 9 - y]]]) for x, y in zip(a, c, strict=True)
        )
    ]
    assert np.mean(held) >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / 1500)


def test_no_association_is_found_by_chance_as_often_as_it_should() -> None:
    """600 fleets of 8 cohorts without any effect: p <= 0.05 in 3 to 7 % of tests of enough vans."""
    rng = np.random.default_rng(9)
    p = []
    for _ in range(600):
        exposed, others = rng.integers(3, 9, 8), rng.integers(3, 9, 8)
        rate = rng.uniform(0.2, 0.7, 8)
        a, c = rng.binomial(exposed, rate), rng.binomial(others, rate)
        p.append(associate(np.stack([[a, exposed - a], [c, others - c]]).transpose(2, 0, 1)).p)
    share = float(np.mean(np.array(p) <= 0.05))
    assert 0.03 <= share <= 0.07, share


def test_a_side_without_any_is_told_as_such() -> None:
    found = associate([[[4, 0], [0, 5]]])
    assert found.odds_ratio == float("inf")
    assert found.low > 1
    assert found.high == float("inf")
    nothing = associate([[[0, 4], [0, 5]]])
    assert nothing.n_strata == 0
    assert np.isnan(nothing.p)


def test_the_least_p_knows_what_few_vans_cannot_show() -> None:
    # 1 of 2 against 0 of 2: the margins allow no p below 1
    assert associate([[[1, 1], [0, 2]]]).least_p == pytest.approx(1.0)
    # 4 of 4 against 0 of 4: 2 of the 70 ways
    assert associate([[[4, 0], [0, 4]]]).least_p == pytest.approx(2 / 70)


def test_the_rule_of_mantel_and_fleiss() -> None:
    assert is_sparse([[[3, 1], [1, 3]]])
    assert not is_sparse([[[20, 10], [10, 20]]])


def test_large_fleets_neither_overflow_nor_take_long() -> None:
    """Sixty cohorts of 500 vans: as statsmodels has it; one rare code on 40 of 4,000: as scipy has it."""
    rng = np.random.default_rng(4)
    large = rng.integers(20, 400, (60, 2, 2))
    found = associate(large)
    assert found.odds_ratio == pytest.approx(StratifiedTable(list(large.astype(float))).oddsratio_pooled)
    rare = np.array([[7, 200], [33, 3760]])
    _, low, high, p, _ = exact_association([rare])
    ends = odds_ratio(rare, kind="conditional").confidence_interval(0.95)
    assert (low, high) == pytest.approx((ends.low, ends.high), rel=1e-6)
    assert p == pytest.approx(stats.fisher_exact(rare).pvalue, rel=1e-6)
    extreme = exact_association([[[400, 0], [1, 400]]])
    assert all(np.isfinite(v) for v in extreme[1:2])
    assert extreme[3] < 1e-100


@pytest.mark.parametrize("table", [[[-1, 2], [3, 4]], [[0, 0], [0, 0]], [[np.nan, 1], [1, 1]]])
def test_impossible_counts_are_refused(table: list[list[float]]) -> None:
    with pytest.raises(ValueError, match="counts"):
        exact_association([table])
