"""Variance by moments: textbook figures, a second implementation, and truth that was planted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from pipeline.compare.shares import share_out


def test_unequal_groups_agree_with_reml() -> None:
    """Second implementation: statsmodels' mixed model, which weighs unequal groups a little differently."""
    rng = np.random.default_rng(11)
    van = rng.integers(0, 40, 900)
    value = rng.normal(0, 2, 40)[van] + rng.normal(0, 1, 900)
    told = smf.mixedlm("y ~ 1", pd.DataFrame({"y": value, "van": van}), groups="van").fit(reml=True)
    found = share_out(np.zeros(900, dtype=np.int64), value, np.zeros(900, dtype=np.int64), [van])
    assert found.variance[0] == pytest.approx([told.cov_re.iloc[0, 0], told.scale], rel=0.03)


def test_balanced_nesting_is_the_textbooks_analysis_of_variance() -> None:
    """By hand: three levels, MS_between, MS_within groups, MS_rest of a balanced nested design."""
    rng = np.random.default_rng(12)
    year, van = np.repeat(np.arange(4), 15), np.repeat(np.arange(20), 3)
    value = rng.normal(0, 3, 4)[year] + rng.normal(0, 1, 20)[van] + rng.normal(0, 0.5, 60)
    by_van = value.reshape(20, 3)
    by_year = by_van.mean(axis=1).reshape(4, 5)
    rest = np.sum((by_van - by_van.mean(axis=1, keepdims=True)) ** 2) / 40
    vans = 3 * np.sum((by_year - by_year.mean(axis=1, keepdims=True)) ** 2) / 16
    years = 15 * np.sum((by_year.mean(axis=1) - value.mean()) ** 2) / 3
    found = share_out(np.zeros(60, dtype=np.int64), value, np.zeros(60, dtype=np.int64), [year, van])
    assert found.variance[0] == pytest.approx([(years - vans) / 15, (vans - rest) / 3, rest])
    assert found.levels.tolist() == [[4, 20]]


def test_planted_parts_come_back_on_average_from_a_crossed_fleet() -> None:
    """Model years in models, vans in years, readers across all; models differ widely and count for nothing."""
    rng = np.random.default_rng(13)
    truth, runs = np.array([4.0, 1.0, 0.64, 2.25]), []
    for _ in range(120):
        van = rng.integers(0, 60, 700)
        year, reader = van // 5, rng.integers(0, 4, 700)
        value = (
            50.0 * (year // 4) + rng.normal(0, 2, 12)[year] + rng.normal(0, 1, 60)[van]
            + rng.normal(0, 0.8, 4)[reader] + rng.normal(0, 1.5, 700)
        )  # fmt: skip
        found = share_out(0 * van, value, year // 4, [year, van, reader], most_runs=20)
        runs.append(found.variance[0])
    error = np.std(runs, axis=0) / np.sqrt(len(runs))
    assert np.all(np.abs(np.mean(runs, axis=0) - truth) < 3.5 * error)


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    rng = np.random.default_rng(14)
    van = np.repeat(np.arange(40), 8)
    hits = []
    for seed in range(60):
        value = rng.normal(0, 1, 40)[van] + rng.normal(0, 1, 320)
        found = share_out(0 * van, value, 0 * van, [van], seed=seed)
        hits.append(found.low[0, 0] <= 0.5 <= found.high[0, 0])
    assert np.mean(hits) >= 0.85  # 95 % wanted; with 60 runs below 0.85 is a chance of one in a thousand


def test_what_cannot_be_told_is_left_out() -> None:
    """One reader; a second factor that is the first by another name; no more scans than vans."""
    rng = np.random.default_rng(15)
    van, nothing = np.repeat(np.arange(10), 4), np.zeros(40, dtype=np.int64)
    value = rng.normal(size=10)[van] + rng.normal(size=40)
    found = share_out(nothing, value, nothing, [nothing, van, van])
    assert np.isnan(found.variance[0]).tolist() == [True, False, True, False]
    assert np.nansum(found.share) == pytest.approx(1)
    alone = share_out(nothing[:10], rng.normal(size=10), nothing[:10], [np.arange(10)])
    assert np.isnan(alone.variance[0, 0])
    still = share_out(nothing, np.ones(40), nothing, [van])
    assert np.all(np.isnan(still.share[0]))
    assert share_out(nothing[:0], value[:0], nothing[:0], [van[:0]]).share.shape == (0, 2)


def test_many_measures_at_once_are_as_each_alone_and_sums_as_their_rows() -> None:
    """Fleets of three shapes, one of them with a single reader, in any order of rows."""
    rng = np.random.default_rng(16)
    shapes = [(40, 3), (25, 1), (60, 2)]
    van = np.concatenate([rng.integers(0, vans, 500) for vans, _ in shapes])
    reader = np.concatenate([rng.integers(0, readers, 500) for _, readers in shapes])
    measure = np.repeat(np.arange(3), 500)
    year = van // 4
    value = rng.normal(0, 2, 60)[van] + rng.normal(0, 1, 3)[reader] + rng.normal(size=1500)
    mixed = rng.permutation(1500)
    factors = [year, van, reader]
    together = share_out(measure[mixed], value[mixed], (year // 2)[mixed], [f[mixed] for f in factors])
    cells = np.column_stack([measure, year // 2, *factors])
    known, cell = np.unique(cells, axis=0, return_inverse=True)
    n_rows = np.bincount(cell)
    mean = np.bincount(cell, value) / n_rows
    square = np.bincount(cell, (value - mean[cell]) ** 2).astype(np.float64)
    summed = share_out(
        known[:, 0], mean, known[:, 1], [known[:, k] for k in (2, 3, 4)], n_rows=n_rows, square=square
    )
    for number in range(3):
        own = measure == number
        alone = share_out(0 * van[own], value[own], (year // 2)[own], [f[own] for f in factors])
        for found in (together, summed):
            for name in ("variance", "share", "low", "high"):
                expected = getattr(alone, name)[0]
                assert getattr(found, name)[number] == pytest.approx(expected, rel=1e-9, nan_ok=True), name
    assert np.isnan(together.variance[:, 2]).tolist() == [False, True, False]


def test_readings_judged_together_are_each_their_own() -> None:
    """Two readings of the same scans share what is drawn for their intervals, a third of other scans does not."""
    rng = np.random.default_rng(15)
    sizes = (240, 240, 180)
    van = np.concatenate([np.arange(n) // 6 for n in sizes])
    reader = np.concatenate([np.arange(n) % 3 for n in sizes])
    measure = np.repeat(np.arange(3), sizes)
    value = rng.normal(0, 1.5, (3, 40))[measure, van] + rng.normal(0, 1, len(van))
    together = share_out(measure, value, 0 * van, [van, reader])
    for number in range(3):
        own = measure == number
        alone = share_out(0 * measure[own], value[own], 0 * van[own], [van[own], reader[own]])
        for field in ("variance", "low", "high"):
            told, found = getattr(together, field)[number], getattr(alone, field)[0]
            assert found == pytest.approx(told, rel=1e-9, nan_ok=True)
