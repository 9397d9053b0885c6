"""Calibration: are healthy vans right by chance as often as their p-values say, off the grid as well as on it."""

from __future__ import annotations

from importlib import resources

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.compare import make_null_tables
from pipeline.compare.calibration import (
    TAIL,
    fit_curve,
    invert_surprise,
    measure_surprise,
    read_p,
    surprise_at,
)
from pipeline.compare.nulls import NullTables, law_df
from pipeline.compare.score import Cells, Rules, score_cells

SURPRISES = np.array([0.0, 0.3, 1.0, 3.0, 6.0, 12.0, 60.0])


def read_curves(**at: float) -> np.ndarray:
    place = {"n_siblings": 8.0, "d0": 8.0, "cohorts": 6.0, "noise_share": 0.0, "relative_scans": 1.0} | at
    return NullTables.load().curves("normal", **{k: np.array([v]) for k, v in place.items()})


@given(t=st.floats(-60, 60), df=st.one_of(st.floats(1, 300), st.just(np.inf)))
def test_surprise_is_the_nominal_p_value(t: float, df: float) -> None:
    # scipy.stats as the second implementation
    wanted = -(np.log(2) + (stats.t.logcdf(-abs(t), df) if np.isfinite(df) else stats.norm.logcdf(-abs(t))))
    u = measure_surprise(np.array([t]), np.array([df]))
    assert u[0] == pytest.approx(min(max(wanted, 0.0), 700.0), rel=1e-6, abs=1e-12)
    if 1e-6 < u[0] < 600:
        assert invert_surprise(u, np.array([df]))[0] == pytest.approx(abs(t), rel=1e-5)


def test_chance_that_needs_no_correction_is_left_as_it_is() -> None:
    # for an exponential u, -ln p = u: the nominal p-value is the right one
    curve = fit_curve(np.random.default_rng(0).exponential(size=2_000_000))
    p = read_p(SURPRISES[:-1], np.tile(curve, (6, 1)))
    np.testing.assert_allclose(np.log(p), -SURPRISES[:-1], rtol=0.06, atol=0.01)


def test_hill_slope_is_that_of_a_power_law() -> None:
    # 1/p of a Pareto law with index 0.7: beyond its top 0.4 % the slope of -ln p is 0.7 (Hill 1975)
    u = np.random.default_rng(1).exponential(1 / 0.7, 1_000_000)
    assert fit_curve(u)[-1] == pytest.approx(0.7, rel=0.04)


def test_reading_and_its_inverse() -> None:
    curves = np.tile(read_curves(), (5, 1))
    for p in (0.9, 0.3, 0.05, 0.004, 1e-3, 1e-6, 1e-12):
        np.testing.assert_allclose(read_p(surprise_at(p, curves), curves), p, rtol=1e-9)
    np.testing.assert_allclose(read_p(surprise_at(TAIL[2], curves), curves), TAIL[2])


def test_p_falls_as_the_score_rises() -> None:
    u = np.linspace(0, 80, 500)
    tables = NullTables.load()
    for table in (tables.normal, tables.cautious):
        curves = table.reshape(-1, table.shape[-1])
        assert (np.diff(curves[:, :-1], axis=1) > 0).all()
        assert (curves[:, -1] > 0).all()
        for curve in curves[::97].astype(np.float64):
            p = read_p(u, np.tile(curve, (500, 1)))
            assert (np.diff(p) < 0).all()
            assert p[0] == 1.0


def test_grid_points_are_read_exactly_and_edges_hold() -> None:
    tables = NullTables.load()
    i, j, k, m, r = 3, 2, 4, 1, 3
    got = tables.curves(
        "cautious",
        tables.n_siblings[[i]],
        tables.d0[[j]],
        tables.cohorts[[k]],
        tables.noise_share[[m]],
        tables.relative_scans[[r]],
    )
    np.testing.assert_allclose(got[0], tables.cautious[i, j, k, m, r], rtol=1e-6)
    np.testing.assert_array_equal(read_curves(n_siblings=500.0), read_curves(n_siblings=60.0))
    np.testing.assert_array_equal(read_curves(d0=np.inf, cohorts=np.inf)[0], tables.normal[4, -1, -1, 0, 0])


def test_tables_are_small_and_cover_the_design() -> None:
    path = resources.files("pipeline.compare") / "null_tables.npz"
    assert len(path.read_bytes()) < 2_000_000
    tables = NullTables.load()
    assert tables.normal.shape == tables.cautious.shape == (11, 7, 6, 4, 5, 8)
    assert (tables.n_siblings[0], tables.n_siblings[-1]) == (3, 60)
    assert tables.d0[0] == 0
    assert np.isinf(tables.d0[-1])
    assert NullTables.load() is tables


def test_tables_are_what_their_script_makes(monkeypatch: pytest.MonkeyPatch) -> None:
    # half of the vans and two points of the grid: quantiles to a few hundredths, slopes to a tenth
    monkeypatch.setattr(make_null_tables, "D0", (0.0, 8.0))
    monkeypatch.setattr(make_null_tables, "COHORTS", (5.0,))
    monkeypatch.setattr(make_null_tables, "CELLS", {"normal": (250_000, 6_000), "cautious": (250_000, 6_000)})
    tables = NullTables.load()
    for law, table in (("normal", tables.normal), ("cautious", tables.cautious)):
        made = make_null_tables.simulate_size(law, 8)[:, 0, 0, 0]  # type: ignore[arg-type]
        shipped = table[4][[0, 3], 3, 0, 0]
        np.testing.assert_allclose(made[:, :-1], shipped[:, :-1], rtol=0.05)
        np.testing.assert_allclose(made[:, -1], shipped[:, -1], rtol=0.20)


def test_cautious_law_is_never_lighter_than_its_vans() -> None:
    df, n, cohorts = (
        np.array([3.0, 40.0, np.inf]),
        np.array([4.0, 30.0, 4.0]),
        np.array([np.inf, np.inf, 3.0]),
    )
    assert law_df("normal", df, n, cohorts).tolist() == [3.0, 40.0, 4.0]
    assert law_df("cautious", df, n, cohorts).tolist() == [3.0, 8.0, 4.0]


@pytest.mark.parametrize(
    ("vans", "d0", "noise", "unequal_scans"),
    [(6, 5.0, 0.0, False), (8, np.inf, 2.0, True), (14, 10.0, 1.0, True), (5, 0.0, 0.0, False)],
)
def test_healthy_vans_are_right_by_chance_as_often_as_said(
    vans: int, d0: float, noise: float, unequal_scans: bool
) -> None:
    rng = np.random.default_rng(vans)
    measures, cohorts = 300, 1 if d0 == 0 else 8
    count = measures * cohorts
    spread = np.sqrt(d0 / rng.chisquare(d0, count)) if 0 < d0 < np.inf else np.ones(count)
    m = rng.integers(1, 16, (count, vans)).astype(float) if unequal_scans else np.full((count, vans), 4.0)
    y = rng.standard_normal((count, vans)) * spread[:, None] + rng.standard_normal((count, vans)) * np.sqrt(
        noise / m
    )
    cells = Cells(
        measure=np.repeat(np.arange(measures), cohorts * vans),
        group=np.repeat(np.arange(count), vans),
        y=y.ravel(),
        m=m.ravel(),
        w2=np.full(measures, noise),
        resolution=np.zeros(measures),
        smallest_useful=np.full(measures, np.nan),
    )
    scores = score_cells(cells, NullTables.load(), Rules())
    size = len(scores.p)
    for level, most in ((0.3, 1.06), (0.05, 1.15), (0.01, 1.35)):
        chance = (scores.p < level).mean() / level
        # never far too many; too few by a third at most at 0.05, where the tables err on the careful side
        assert chance < most + 2.5 / np.sqrt(size * level)
        assert chance > {0.3: 0.9, 0.05: 0.7, 0.01: 0.45}[level]
    assert scores.p_cautious.min() >= scores.p.min()
    assert (scores.p_cautious >= scores.p).all()
