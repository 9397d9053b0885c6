"""The score against a single-case t test, a plain second implementation, and its own promises."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import special, stats
from statsmodels.robust.scale import qn_scale

from pipeline.compare.scale import load_scale_table
from pipeline.compare.score import Cells, NullTables, Rules, Scores, pooled_within_variance, score_cells

Floats = NDArray[np.float64]

# Made for the purpose, checkable by hand: mean of a to e 10.02, sd 0.192354, t = 1.98 / (sd sqrt(6/5)) = 9.3966
TOY = {"a": 10.1, "b": 9.8, "c": 10.3, "d": 9.9, "e": 10.0, "f": 12.0}


def make_cells(groups: list[list[float]], measure: list[int] | None = None, **changes: Any) -> Cells:
    """Return cells of groups of values, each its own cohort; w2 = 0 and no resolution unless changed."""
    of = measure if measure is not None else [0] * len(groups)
    sizes = [len(g) for g in groups]
    count = max(of) + 1
    y = np.concatenate([np.asarray(g, dtype=float) for g in groups])
    cells = Cells(
        measure=np.repeat(of, sizes),
        group=np.repeat(np.arange(len(groups)), sizes),
        y=y,
        m=np.full(len(y), 4.0),
        w2=np.zeros(count),
        resolution=np.zeros(count),
        smallest_useful=np.full(count, np.nan),
    )
    return replace(cells, **changes)


def score(cells: Cells, **rules: Any) -> Scores:
    return score_cells(cells, NullTables.load(), Rules(**rules))


def draw_fleet(
    seed: int, sizes: tuple[int, ...] = (4, 5, 7, 9, 12), measures: int = 4, faults: int = 5
) -> Cells:
    """Return a fleet with scan noise and a few faulty cells."""
    rng = np.random.default_rng(seed)
    groups = [
        list(rng.normal(rng.uniform(-5, 5), np.exp(rng.normal(0, 0.4)), n))
        for _ in range(measures)
        for n in sizes
    ]
    cells = make_cells(groups, [i // len(sizes) for i in range(len(groups))])
    y = cells.y.copy()
    y[rng.choice(len(y), faults, replace=False)] += rng.choice([-12.0, 12.0], faults)
    m = rng.integers(1, 15, len(y)).astype(float)
    return replace(cells, y=y, m=m, w2=np.full(measures, 0.4), resolution=np.full(measures, 0.05))


def test_single_case_toy() -> None:
    # Crawford and Howell 1998, Clinical Neuropsychologist 12:482-486: t = (x - mean) / (s sqrt(1 + 1/n)), n - 1 df
    scores = score(make_cells([list(TOY.values())]))
    f = list(TOY).index("f")
    assert scores.expected[f] == pytest.approx(10.02, abs=1e-12)
    assert scores.t[f] == pytest.approx(9.396664157949745, rel=1e-12)
    assert scores.df[f] == 4
    assert 2 * stats.t.sf(scores.t[f], scores.df[f]) == pytest.approx(0.0007147554605599858, rel=1e-9)
    assert scores.sibling_median[f] == 10.0
    assert scores.n_siblings[f] == scores.n_clean[f] == 5
    # 95 % interval of the difference: only the siblings' mean is uncertain where w2 = 0
    reach = stats.t.ppf(0.975, 4) * 0.19235384 / np.sqrt(5)
    assert scores.interval_high[f] - scores.interval_low[f] == pytest.approx(2 * reach, rel=1e-6)


@pytest.mark.parametrize("vans", [4, 6, 11, 40])
def test_nothing_borrowed_nothing_marked_is_the_two_sample_t(vans: int) -> None:
    # identity: Crawford-Howell is Student's two-sample t with one case in the first sample (scipy.stats.ttest_ind)
    y = np.random.default_rng(vans).normal(50, 2, vans)
    scores = score(make_cells([list(y)]), suspect_p=1e-12)
    assert scores.d0 == 0.0
    for i in range(vans):
        other = stats.ttest_ind([y[i]], np.delete(y, i))
        assert scores.t[i] == pytest.approx(float(other.statistic), rel=1e-9)
        assert scores.df[i] == vans - 2
        assert scores.n_clean[i] == vans - 1


def test_leaving_out_the_uncertainty_of_few_siblings_doubles_false_alarms() -> None:
    # Crawford and Garthwaite 2005: with 5 controls a z score has a one-sided size of 10.37 % at 5 %; their t keeps 5 %
    y = np.random.default_rng(1).standard_normal((30_000, 6))
    scores = score(make_cells(y.tolist(), list(range(len(y)))), suspect_p=1e-12)
    first = slice(None, None, 6)
    z = scores.t[first] * np.sqrt(6 / 5)
    assert np.mean(z > special.ndtri(0.95)) == pytest.approx(0.1037, abs=0.005)
    assert np.mean(scores.t[first] > stats.t.ppf(0.95, 4)) == pytest.approx(0.05, abs=0.004)


def score_plainly(cells: Cells, d0: float, s02: Floats) -> tuple[Floats, Floats]:
    """Return t and df of every cell by the formulas one after another, with qn_scale of statsmodels."""
    t, df = np.full(len(cells.y), np.nan), np.full(len(cells.y), np.nan)
    table = load_scale_table()
    for group in np.unique(cells.group):
        vans = np.flatnonzero(cells.group == group)
        size, measure = len(vans), cells.measure[vans[0]]
        factor, d, kappa = table.constants(size - 1)
        limit = 1 / (np.sqrt(2) * special.ndtri(5 / 8))
        t1 = np.empty(size)
        for i, van in enumerate(vans):
            others = cells.y[vans[vans != van]]
            s = max(factor * float(qn_scale(others)) / limit, cells.resolution[measure] / np.sqrt(12))
            t1[i] = abs(cells.y[van] - np.median(others)) / (s * np.sqrt(1 + kappa))
        suspects = [i for i in np.argsort(-t1) if 2 * stats.t.sf(t1[i], d) < 0.005]
        suspects = suspects[: size - max(3, -(-size // 2))]
        clean = [van for i, van in enumerate(vans) if i not in suspects]
        for van in vans:
            siblings = [c for c in clean if c != van]
            y, m, n = cells.y[siblings], cells.m[siblings], len(siblings)
            var = (
                (d0 * s02[measure] + (n - 1) * y.var(ddof=1)) / (d0 + n - 1)
                if np.isfinite(d0)
                else s02[measure]
            )
            var = max(var, cells.resolution[measure] ** 2 / 12)
            w2 = cells.w2[measure]
            tau2 = max(0.0, var - w2 * np.mean(1 / m))
            t[van] = (cells.y[van] - y.mean()) / np.sqrt(max(tau2 + w2 / cells.m[van], var / 4) + var / n)
            df[van] = d0 + n - 1
    return t, df


@pytest.mark.parametrize("seed", range(4))
def test_same_as_the_formulas_written_out(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.compare import score as module

    kept: dict[str, Any] = {}
    borrow = module._borrow

    def keep(*args: Any) -> Any:
        kept["prior"] = borrow(*args)
        return kept["prior"]

    monkeypatch.setattr(module, "_borrow", keep)
    cells = draw_fleet(seed)
    scores = score(cells)
    t, df = score_plainly(cells, kept["prior"].d0, kept["prior"].s02)
    np.testing.assert_allclose(scores.t, t, rtol=1e-8)
    np.testing.assert_allclose(scores.df, df, rtol=1e-12)
    assert (scores.n_clean < scores.n_siblings).any()


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    power=st.integers(-8, 8),
    shift=st.floats(-1000, 1000),
    mirrored=st.booleans(),
)
def test_shift_and_scale_change_no_score(seed: int, power: int, shift: float, mirrored: bool) -> None:
    cells = draw_fleet(seed)
    factor = (-1 if mirrored else 1) * 2.0**power
    moved = replace(
        cells,
        y=(cells.y + shift) * factor,
        w2=cells.w2 * factor**2,
        resolution=cells.resolution * abs(factor),
    )
    before, after = score(cells), score(moved)
    np.testing.assert_allclose(after.t * np.sign(factor), before.t, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(after.p, before.p, rtol=1e-5)
    np.testing.assert_allclose(after.detectable, before.detectable * abs(factor), rtol=1e-6)
    np.testing.assert_array_equal(after.tier, before.tier)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), order_seed=st.integers(0, 10_000))
def test_order_and_names_of_groups_do_not_matter(seed: int, order_seed: int) -> None:
    cells = draw_fleet(seed)
    rng = np.random.default_rng(order_seed)
    order = rng.permutation(len(cells.y))
    names = rng.permutation(1000)[: cells.group.max() + 1]
    mixed = replace(
        cells,
        measure=cells.measure[order],
        group=names[cells.group][order],
        y=cells.y[order],
        m=cells.m[order],
    )
    before, after = score(cells), score(mixed)
    for field in ("t", "p", "q", "interval_low", "sibling_high", "tier", "n_clean", "p_cautious"):
        np.testing.assert_allclose(
            getattr(after, field), getattr(before, field)[order], rtol=1e-9, err_msg=field
        )


def test_a_second_faulty_van_does_not_hide_the_first() -> None:
    rng = np.random.default_rng(5)
    groups = [list(rng.normal(10, 1, 9)) for _ in range(6)]
    alone = score(make_cells(groups))
    groups[0][0] += 15
    groups[0][1] += 15
    both = score(make_cells(groups))
    assert both.tier_names[:2].tolist() == ["finding", "finding"]
    assert both.verdict_names[0] == "above"
    assert both.n_clean[2] == 6
    # the healthy ones keep about the score they had
    np.testing.assert_allclose(both.t[2:9], alone.t[2:9], atol=1.0)


def test_half_of_a_cohort_always_speaks_for_it() -> None:
    y = [0.0, 0.1, 0.2, 0.3, 50.0, 51.0, 53.0, 58.0]
    scores = score(make_cells([y]))
    assert scores.n_clean.min() >= 3
    tie = score(make_cells([[1.0, 1.0, 1.0, 1.0, 9.0, 9.0]], resolution=np.array([0.1])))
    assert tie.t[4] == tie.t[5]


def test_identical_siblings_are_judged_by_the_sensors_step() -> None:
    # 0.1 steps: one count away must not become an alarm, ten counts must
    groups = [[20.0] * 8 + [20.1], [31.0] * 9, [25.0] * 8 + [26.0]]
    scores = score(make_cells(groups, resolution=np.array([0.1])))
    one, ten = 8, 26
    sd = 0.1 / np.sqrt(12)
    assert 1 < scores.t[one] <= 0.1 / (sd * np.sqrt(1 + 1 / 8))
    assert scores.tier_names[one] != "finding"
    assert scores.tier_names[ten] == "finding"
    assert np.abs(scores.t[:8]).max() < 1


def test_identical_siblings_without_a_known_step_are_not_judged() -> None:
    scores = score(make_cells([[20.0] * 8 + [20.1]]))
    assert not scores.is_scored[8]
    assert "one and the same value" in scores.reason[8]
    assert scores.tier_names[8] == "not_enough_evidence"


def test_evidence_floor() -> None:
    scores = score(
        make_cells([[1.0, 1.1, 1.2], [1.0, 1.1, 1.2, 1.3], [1.0, 1.1, 1.2, 1.3, 1.4], [1.0] * 0 + [5.0]])
    )
    assert not scores.is_scored[:3].any()
    assert scores.reason[0] == "2 siblings have this reading; a comparison needs 3"
    assert scores.reason[12] == "no sibling has this reading; a comparison needs 3"
    assert scores.tier_names[0] == "not_enough_evidence"
    assert scores.verdict_names[0] == "not_judged"
    assert np.isnan(scores.t[0])
    assert scores.sibling_median[0] == pytest.approx(1.15)
    assert scores.n_siblings.tolist() == [2] * 3 + [3] * 4 + [4] * 5 + [0]
    assert scores.is_small_group[3:12].all()
    assert scores.cells_tested == 9
    six = score(make_cells([[1.0, 1.1, 1.2, 1.3, 1.4, 1.5]]))
    assert not six.is_small_group.any()


def test_cells_without_a_value_are_nobodys_sibling() -> None:
    cells = make_cells([[10.1, np.nan, 9.8, 10.3, 9.9, 10.0, 12.0]])
    scores = score(cells)
    assert scores.reason[1] == "no usable value"
    assert scores.n_siblings[6] == 5
    assert scores.t[6] == pytest.approx(9.396664157949745, rel=1e-12)


def shifted_fleet(**changes: Any) -> Cells:
    """Return five cohorts of nine vans, the first van 14 sigma away."""
    groups = [list(np.random.default_rng(i).normal(10, 1, 9)) for i in range(5)]
    groups[0][0] += 14
    return make_cells(groups, **changes)


def test_a_single_scan_costs_one_grade() -> None:
    assert score(shifted_fleet()).tier_names[0] == "finding"
    scans = np.full(45, 4.0)
    scans[0] = 1.0
    assert score(shifted_fleet(m=scans)).tier_names[0] == "likely"
    # a change has an effective m below 2 although it rests on several scans
    assert score(shifted_fleet(m=np.full(45, 1.2), scans=np.full(45, 2.0))).tier_names[0] == "finding"


def test_a_difference_too_small_to_matter_is_no_finding() -> None:
    assert score(shifted_fleet(smallest_useful=np.array([5.0]))).tier_names[0] == "finding"
    scores = score(shifted_fleet(smallest_useful=np.array([40.0])))
    assert scores.tier_names[0] == "likely"
    assert (scores.detectable >= 40.0).all()


def test_siblings_only_cells_are_not_tested() -> None:
    cells = shifted_fleet()
    plain = score(cells)
    family = list(np.random.default_rng(50).normal(10, 3, 8))
    y = np.append(cells.y, [30.0, *family])
    extra = replace(
        cells,
        measure=np.zeros(54, dtype=np.int64),
        group=np.append(cells.group, np.full(9, 99)),
        y=y,
        m=np.full(54, 4.0),
        is_target=np.append(np.ones(46, dtype=bool), np.zeros(8, dtype=bool)),
    )
    scores = score(extra)
    assert scores.cells_tested == plain.cells_tested + 1
    assert scores.d0 == plain.d0
    np.testing.assert_array_equal(scores.t[:45], plain.t)
    assert scores.is_scored[45]
    assert scores.n_siblings[45] == 8
    assert set(scores.reason[46:]) == {"serves as a sibling only"}
    # a family of several model years is more varied than a cohort; its own variance is never drawn downwards
    assert abs(scores.t[45]) <= abs(stats.ttest_ind([30.0], family).statistic) + 1e-9


def test_groups_that_stand_in_speak_where_nothing_else_does() -> None:
    groups = [list(np.random.default_rng(i).normal(10, 1, 9)) for i in range(4)]
    cells = make_cells(groups)
    targets = np.tile(np.arange(9) == 0, 4)
    scores = score(replace(cells, is_target=targets))
    assert scores.d0 > 0
    assert scores.cells_tested == 4


def test_detectable_is_where_a_van_becomes_a_finding() -> None:
    # one cohort borrows from nobody, so moving a van changes nothing it is held against
    cells = make_cells([list(np.random.default_rng(8).normal(10, 1, 12))])
    scores = score(cells)
    assert scores.p_cutoff == pytest.approx(0.05 / 12)
    assert scores.expected_by_chance == pytest.approx(0.05)
    for factor, tier in ((1.01, "finding"), (-1.01, "finding"), (0.99, "likely"), (-0.99, "likely")):
        y = cells.y.copy()
        y[0] = scores.expected[0] + factor * scores.detectable[0]
        assert score(replace(cells, y=y)).tier_names[0] == tier


def test_shrinking_is_for_display_only() -> None:
    scores = score(draw_fleet(8))
    ok = scores.is_scored
    assert (np.abs(scores.shrunken_difference[ok]) <= np.abs(scores.difference[ok])).all()
    assert (scores.shrunken_difference[ok] * scores.difference[ok] >= 0).all()


def test_shrinkage_is_that_of_efron_and_morris_where_variances_are_known() -> None:
    # Efron and Morris 1977: 18 batters, 45 at bats; drawn to the mean by c = 1 - (k - 3) v / SS = 0.212.
    # With tau2 = SS / (k - 3) - v the factor tau2 / (tau2 + v) is the same number; the display uses that form.
    hits = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])
    y, v = hits / 45, np.mean(hits / 45) * (1 - np.mean(hits / 45)) / 45
    tau2 = np.sum((y - y.mean()) ** 2) / 15 - v
    assert tau2 / (tau2 + v) == pytest.approx(0.212, abs=1e-3)
    scores = score(make_cells([list(y)], m=np.full(18, 1.0), w2=np.array([v]), scans=np.full(18, 45.0)))
    s2 = np.array([np.delete(y, i).var(ddof=1) for i in range(18)])
    between = np.maximum(s2 - v, 0)
    np.testing.assert_allclose(
        scores.shrunken_difference, scores.difference * between / (between + v + s2 / 17), rtol=1e-9
    )


def test_interval_and_sibling_range_cover_what_they_say() -> None:
    rng = np.random.default_rng(3)
    cells = make_cells(rng.standard_normal((4000, 9)).tolist(), (np.arange(4000) // 40).tolist())
    scores = score(cells)
    inside = (cells.y >= scores.sibling_low) & (cells.y <= scores.sibling_high)
    assert inside.mean() == pytest.approx(0.95, abs=0.006)
    # true value of a healthy van's difference from the mean of all vans is y itself where w2 = 0
    covered = (cells.y >= scores.interval_low) & (cells.y <= scores.interval_high)
    assert covered.mean() == pytest.approx(0.95, abs=0.015)


def test_pooled_within_variance() -> None:
    s2, m = np.array([1.0, 3.0, np.nan, 2.0, np.nan]), np.array([5, 3, 1, 2, 1])
    w2 = pooled_within_variance(s2, m, np.array([0, 0, 0, 1, 2]))
    np.testing.assert_allclose(w2, [(4 * 1 + 2 * 3) / 6, 2.0, np.nan])
    scans = np.random.default_rng(0).normal(size=(3, 6))
    pooled = pooled_within_variance(scans.var(axis=1, ddof=1), np.full(3, 6), np.zeros(3, dtype=np.int64))
    # one-way analysis of variance: mean square within
    assert pooled[0] == pytest.approx(((scans - scans.mean(axis=1, keepdims=True)) ** 2).sum() / 15)


def test_nothing_to_score() -> None:
    empty = Cells(
        np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0), np.zeros(1), np.zeros(1),
        np.zeros(1),
    )  # fmt: skip
    scores = score(empty)
    assert (scores.cells_tested, scores.p_cutoff, scores.expected_by_chance) == (0, 0.0, 0.0)
    assert scores.t.size == 0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"m": np.zeros(4)}, "positive"),
        ({"m": np.ones(3)}, "one length"),
        ({"scans": np.ones(3)}, "as long as"),
        ({"w2": np.zeros(2)}, "per measure"),
        ({"measure": np.array([0, 0, 0, 1])}, "numbered 0 to 0"),
        ({"measure": np.array([0, 0, 0, 1]), **{k: np.ones(2) for k in ("w2", "resolution", "smallest_useful")}},
         "one measure only"),
    ],
)  # fmt: skip
def test_arrays_that_do_not_fit_are_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        score(replace(make_cells([[1.0, 2.0, 3.0, 4.0]]), **change))
