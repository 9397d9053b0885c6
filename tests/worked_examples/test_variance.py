"""Within-van and between-van variance on certified data, through the SQL model and the pooled variance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray
from scipy import stats

from pipeline.compare.offsets import find_offsets
from pipeline.compare.score import pooled_within_variance
from pipeline.compare.shares import share_out

Example = Callable[[str], dict[str, Any]]
Floats = NDArray[np.float64]
MODELS = Path(__file__).parents[2] / "pipeline" / "models"


def _van_levels(groups: Sequence[Sequence[float]], n_readers: int = 1) -> tuple[Floats, Floats, Floats]:
    """Run the models behind `van_levels` on groups as vans and values as scans, by turns of the readers; return y, s2 and m."""
    scans = pl.DataFrame(
        {
            "van_no": [g for g, values in enumerate(groups) for _ in values],
            "reader_no": [k % n_readers for values in groups for k, _ in enumerate(values)],
            "value": [float(v) for values in groups for v in values],
        }
    ).with_row_index("scan_no")
    means = (MODELS / "intermediate" / "int_window_means.sql").read_text("utf-8")
    levels = (MODELS / "marts" / "van_levels.sql").read_text("utf-8")
    with duckdb.connect() as con:
        con.register("scans", scans)
        con.sql(
            """
            create table int_followed_scans as
            select *, 1 as cell_no, value as value_compared, 0 as epoch, true as is_linked from scans
            """
        )
        con.sql(
            "create table int_numbered_scans as select *, timestamp '2021-03-01' as scanned_at from scans"
        )
        con.sql(
            """
            create table int_numbered_vans as
            select distinct van_no, van_no as van, 'cohort' as cohort_id, 'family' as family_id from scans
            """
        )
        con.sql(
            """
            create table int_window_bounds as
            select distinct van_no, 1 as cell_no, 'level' as window_name, 0 as from_no, 9999999 as to_no,
                365.0 as reaches_days
            from scans
            """
        )
        con.sql(
            """
            create table int_reader_links as
            select distinct van_no, reader_no, 1 as cell_no, 'linked' as component, true as is_linked from scans
            """
        )
        con.sql("create table int_cells as select 1 as cell_no, 'p' as parameter, 's' as state")
        con.sql(
            """
            create table int_part_work
                (van bigint, parameter varchar, work_number bigint, "at" timestamp, description varchar)
            """
        )
        con.sql("create table int_fleet as select timestamp '2021-06-01' as data_to")
        con.sql(f"create table int_window_means as {means}")
        found = con.sql(f"select y, s2, m from ({levels}) order by van").fetchnumpy()
    return (np.asarray(found[k], dtype=np.float64) for k in ("y", "s2", "m"))  # type: ignore[return-value]


def _small_steps(means: list[float]) -> list[list[float]]:
    """Rebuild nine treatments of 21 values from the pattern of the file (its rows from memory)."""
    return [[mean] + [round(mean - 0.1, 7), round(mean + 0.1, 7)] * 10 for mean in means]


@pytest.mark.parametrize("n_readers", [1, 2, 3])
@pytest.mark.parametrize(
    ("name", "digits"), [("SiRstv", 1e-9), ("AtmWtAg", 1e-6), ("SmLs01", 1e-12), ("SmLs04", 1e-6)]
)
def test_certified_analysis_of_variance(example: Example, name: str, digits: float, n_readers: int) -> None:
    # NIST Statistical Reference Datasets, one-way analysis of variance: residual mean square and F
    case = example(f"nist_strd_anova_{name}")
    inputs = case["inputs"]
    groups = _small_steps(inputs["means"]) if "means" in inputs else inputs["groups"]
    y, s2, m = _van_levels(groups, n_readers)
    w2 = pooled_within_variance(s2, m, np.zeros(len(y), np.int64))[0]
    assert w2 == pytest.approx(case["expected"]["residual_mean_square"], rel=digits)
    assert m[0] * y.var(ddof=1) / w2 == pytest.approx(case["expected"]["F"], rel=digits)


def test_two_instruments_as_two_cohorts(example: Example) -> None:
    # NIST StRD AtmWtAg: with two groups F is the square of t, on values that agree in seven digits
    case = example("nist_strd_anova_AtmWtAg")
    value = np.concatenate([np.array(g) for g in case["inputs"]["groups"]])
    cohort = np.repeat([0, 1], [len(g) for g in case["inputs"]["groups"]])
    found = find_offsets(value, 0 * cohort, 0 * cohort, cohort, margin=0.0)
    assert found.n_odd.tolist() == [0, 0]
    assert found.p[0] == pytest.approx(stats.f.sf(case["expected"]["F"], 1, 46), rel=1e-5)


def test_dyestuff(example: Example) -> None:
    # Davies and Goldsmith 1972, section 6.4 (balanced: analysis of variance and REML agree)
    case = example("dyestuff_varcomp")
    y, s2, m = _van_levels(list(case["inputs"].values()))
    w2 = pooled_within_variance(s2, m, np.zeros(6, np.int64))[0]
    assert w2 == pytest.approx(case["expected"]["var_resid"], rel=1e-12)
    # tau2 = s2 - w2 mean(1/m), as the score has it for a cohort
    assert y.var(ddof=1) - w2 * (1 / m).mean() == pytest.approx(case["expected"]["var_batch"], rel=1e-12)
    assert y.mean() == pytest.approx(case["expected"]["mean"], rel=1e-12)


def test_dyestuff_shared_out(example: Example) -> None:
    # the same, through the shares of variance
    case = example("dyestuff_varcomp")
    values = [np.array(v, dtype=float) for v in case["inputs"].values()]
    batch = np.repeat(np.arange(len(values)), [len(v) for v in values])
    found = share_out(0 * batch, np.concatenate(values), 0 * batch, [batch])
    assert found.variance[0] == pytest.approx(
        [case["expected"]["var_batch"], case["expected"]["var_resid"]], rel=1e-9
    )


def test_rails(example: Example) -> None:
    # Pinheiro and Bates 2000, Mixed-Effects Models in S and S-PLUS, section 1.1
    case = example("rail_varcomp")
    rails = np.array(case["inputs"]["rails"], dtype=float)
    rail = np.repeat(np.arange(6), 3)
    found = share_out(0 * rail, rails.ravel(), 0 * rail, [rail])
    expected = [case["expected"]["sd_rail"], case["expected"]["sd_rest"]]
    assert np.sqrt(found.variance[0]) == pytest.approx(expected, abs=6e-4)
    assert found.share[0, 0] == pytest.approx(0.974, abs=5e-4)


@pytest.mark.parametrize("name", ["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"])
def test_certified_mean_and_deviation(example: Example, name: str) -> None:
    # NIST Statistical Reference Datasets, univariate: values that agree in up to eight digits
    case = example(f"nist_strd_{name}")
    first, low, high = case["inputs"]["head"]
    values = [first, low, high] if case["inputs"]["n"] == 3 else [first] + [low, high] * 500
    assert len(values) == case["inputs"]["n"]
    y, s2, m = _van_levels([values])
    assert m[0] == len(values)
    assert y[0] == pytest.approx(case["expected"]["mean"], rel=1e-14)
    assert np.sqrt(s2[0]) == pytest.approx(case["expected"]["sd"], abs=1e-7)
