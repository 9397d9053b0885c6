"""Which exposures move which readings: aligned ranks by hand, and the selection where several things go together."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest
from scipy import stats

from pipeline.compare.aligned_ranks import aligned_p_values
from pipeline.compare.exposures import ExposureEffects, ExposureRules, SpanMeans, find_exposures

COHORTS = np.repeat(np.arange(4), 10)
HALF = np.tile(np.arange(10) < 5, 4)


def means_of(values: np.ndarray, cohort: np.ndarray = COHORTS) -> SpanMeans:
    """One span a van; `values` (measures, vans)."""
    measures, vans = values.shape
    van = np.arange(vans)
    return SpanMeans(
        values.ravel(), np.full(values.size, 6.0), np.repeat(np.arange(measures), vans), np.tile(van, measures), van, cohort
    )  # fmt: skip


def row_of(found: ExposureEffects, contrast: int, measure: int) -> int:
    (row,) = np.flatnonzero((found.contrast == contrast) & (found.measure == measure))
    return int(row)


def test_aligned_ranks_count_every_way_the_vans_could_have_stood() -> None:
    """Against a full enumeration of Hodges and Lehmann's 1962 permutation test, three cohorts of three and four vans."""
    rng = np.random.default_rng(3)
    sizes, exposed_n = (3, 4, 4), (1, 2, 2)
    stratum = np.repeat(np.arange(3), sizes)
    value = rng.standard_normal(11) + 50.0 * stratum
    exposed = np.concatenate([np.arange(n) < k for n, k in zip(sizes, exposed_n, strict=True)])
    value[exposed] += 4.0
    aligned = np.concatenate([value[stratum == s] - value[stratum == s].mean() for s in range(3)])
    rank = stats.rankdata(aligned)
    groups = [np.flatnonzero(stratum == s) for s in range(3)]
    sums = np.array(
        [
            sum(rank[list(part)].sum() for part in chosen)
            for chosen in product(*(combinations(g, k) for g, k in zip(groups, exposed_n, strict=True)))
        ]
    )
    seen = rank[exposed].sum()
    wanted = 2 * min((sums >= seen - 1e-9).mean(), (sums <= seen + 1e-9).mean())
    assert wanted < 0.1  # so that the exact distribution is used
    p = aligned_p_values(value, stratum, exposed, np.zeros(11, int), n_cells=1)
    assert p[0] == pytest.approx(wanted)


def test_aligned_ranks_leave_one_cohort_to_the_plain_rank_test() -> None:
    p = aligned_p_values([1.0, 2.0, 3.0, 4.0], [0, 0, 0, 0], [True, True, False, False], [0] * 4, n_cells=2)
    assert np.isnan(p).all()


def test_cohorts_far_apart_do_not_matter() -> None:
    rng = np.random.default_rng(4)
    value = rng.standard_normal(40) + 0.8 * HALF
    cell = np.zeros(40, int)
    plain = aligned_p_values(value, COHORTS, HALF, cell, n_cells=1)
    assert aligned_p_values(value + 100.0 * COHORTS, COHORTS, HALF, cell, n_cells=1) == pytest.approx(plain)


def test_a_shift_is_taken_off_where_it_is_and_nowhere_else() -> None:
    rng = np.random.default_rng(5)
    values = rng.standard_normal((6, 40))
    values[2] += 2.5 * HALF
    decoy = rng.permuted(HALF.reshape(4, 10), axis=1).ravel()
    found = find_exposures(means_of(values), np.stack([HALF, decoy]).astype(np.int8))
    assert [
        tuple(x) for x in zip(found.contrast[found.is_taken], found.measure[found.is_taken], strict=True)
    ] == [(0, 2)]
    row = row_of(found, 0, 2)
    assert found.shift[row] == pytest.approx(2.5, abs=0.95)  # three standard errors of 0.32
    assert found.low[row] > 0
    assert found.effect[row] == pytest.approx(found.shift[row])
    assert not found.effect[~found.is_taken].any()


def test_two_causes_of_one_reading_are_both_named_with_their_own_shift() -> None:
    rng = np.random.default_rng(6)
    other = rng.permuted(HALF.reshape(4, 10), axis=1).ravel()
    values = rng.standard_normal((3, 40))
    values[1] += 3.0 * HALF - 3.0 * other
    found = find_exposures(means_of(values), np.stack([HALF, other]).astype(np.int8))
    assert set(zip(found.contrast[found.is_taken], found.measure[found.is_taken], strict=True)) == {
        (0, 1),
        (1, 1),
    }
    for contrast, true in ((0, 3.0), (1, -3.0)):
        row = row_of(found, contrast, 1)
        assert found.low[row] < true < found.high[row]
        assert found.twin[row] == -1


def test_the_same_vans_under_two_names_are_twins_and_one_is_taken() -> None:
    rng = np.random.default_rng(7)
    values = rng.standard_normal((2, 40))
    values[0] += 3.0 * HALF
    found = find_exposures(means_of(values), np.stack([HALF, HALF]).astype(np.int8))
    first, second = row_of(found, 0, 0), row_of(found, 1, 0)
    assert found.is_taken[first] != found.is_taken[second]
    assert (found.twin[first], found.twin[second]) == (1, 0)


def test_what_stands_along_with_a_cause_is_not_taken_as_well() -> None:
    """A decoy on 16 of 20 exposed vans looks guilty alone and is let go beside the true one, in most fleets."""
    right, seen_alone = 0, 0
    for seed in range(20):
        rng = np.random.default_rng([8, seed])
        values = rng.standard_normal((4, 40))
        values[0] += 3.0 * HALF
        decoy = HALF.copy()
        for c in range(4):
            mine = 10 * c
            decoy[mine], decoy[mine + 9] = False, True
        found = find_exposures(means_of(values), np.stack([decoy, HALF]).astype(np.int8))
        row = row_of(found, 0, 0)
        seen_alone += found.p_alone[row] < 0.05
        right += found.is_taken[row_of(found, 1, 0)] and not found.is_taken[row]
    assert seen_alone >= 18
    assert right >= 18


def test_vans_seen_both_ways_decide_by_their_own_change() -> None:
    rng = np.random.default_rng(9)
    vans = 8
    own = 10.0 * rng.standard_normal(vans)  # vans differ far more than the shift
    value = np.concatenate([own, own + 1.0 + 0.1 * rng.standard_normal(vans)])
    span_van = np.tile(np.arange(vans), 2)
    means = SpanMeans(
        value, np.full(16, 3.0), np.zeros(16, int), np.arange(16), span_van, np.zeros(16, int)
    )  # fmt: skip
    found = find_exposures(means, np.repeat([0, 1], vans)[None, :].astype(np.int8))
    assert (found.n_pairs[0], found.is_taken[0]) == (vans, True)
    assert found.pair_p[0] == pytest.approx(2 / 2**vans)  # all eight rose: 2 of 256 outcomes
    assert found.shift[0] == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("exposed", [3, 0])
def test_too_few_vans_are_not_tested(exposed: int) -> None:
    side = np.zeros(40, np.int8)
    side[:exposed] = 1
    values = np.random.default_rng(10).standard_normal((1, 40)) + 9.0 * side
    found = find_exposures(means_of(values), side[None, :], rules=ExposureRules(min_vans=4))
    assert not found.is_tested.any()
    assert not found.is_taken.any()
    assert len(found.contrast) == (1 if exposed else 0)


def test_sides_must_fit_the_spans() -> None:
    with pytest.raises(ValueError, match="one column per span"):
        find_exposures(means_of(np.zeros((1, 40))), np.zeros((1, 39), np.int8))


def test_fewer_than_a_tenth_of_healthy_fleets_have_a_cause_named() -> None:
    """False discovery rate 5 % in fleets without any effect: 60 fleets of 40 vans, 12 measures, 2 contrasts."""
    named: int = 0
    for seed in range(60):
        rng = np.random.default_rng([11, seed])
        sides = rng.permuted(np.tile(HALF.reshape(4, 10), (2, 1)), axis=1).reshape(2, 40)
        found = find_exposures(means_of(rng.standard_normal((12, 40))), sides.astype(np.int8))
        named += int(found.is_taken.any())
    assert named <= 7  # 3 expected; more than 7 in 60 has a chance of 1 %
