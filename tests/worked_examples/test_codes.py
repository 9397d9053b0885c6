"""Codes: how long they stay away and how they go with an exposure, on published examples; some through the SQL."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.compare.survival import kaplan_meier
from pipeline.compare.tables import associate, mantel_haenszel
from pipeline.warehouse import models
from pipeline.warehouse.documentation import empty_house

Example = Callable[[str], dict[str, Any]]


def _run_model(name: str, given: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Run one model on these tables; the others it reads are empty."""
    house, model = empty_house(), next(m for m in models.load() if m.name == name)
    connection = duckdb.connect()
    for table in (*model.parents, *model.sources):
        columns = ", ".join(f"{column} {kind}" for column, kind in house.columns(table).items())
        schema = table.rpartition(".")[0]
        if schema:
            connection.execute(f"create schema if not exists {schema}")
        connection.execute(f"create table {table} ({columns})")
        if table in given:
            connection.register("incoming", given[table].to_arrow())
            connection.execute(f"insert into {table} by name select * from incoming")
            connection.unregister("incoming")
    made: pl.DataFrame = connection.sql(model.text).pl()
    return made


def test_remission_under_6_mp(example: Example) -> None:
    # Freireich 1963: shares printed to three digits, median 23 weeks
    case = example("km_freireich")
    found = kaplan_meier(case["inputs"]["time"], case["inputs"]["event"])
    expected = {float(t): share for t, share in case["expected"]["S"].items()}
    assert found.time.tolist() == list(expected)
    assert np.allclose(found.share, list(expected.values()), atol=6e-4)
    assert found.median == case["expected"]["median"]


def test_eight_patients(example: Example) -> None:
    # Bewick, Cheek and Ball 2004, table 2
    case = example("km_bewick")
    found = kaplan_meier(case["inputs"]["time"], case["inputs"]["event"])
    expected = {float(t): share for t, share in case["expected"]["S"].items()}
    assert found.time.tolist() == list(expected)
    assert np.allclose(found.share, list(expected.values()), atol=6e-4)


def _is_berkeley(tables: Any, expected: dict[str, Any]) -> None:
    ratio, low, high, p = mantel_haenszel(tables)
    assert ratio == pytest.approx(expected["OR"], abs=5e-7)
    assert p == pytest.approx(expected["p_uncorrected"], abs=5e-5)
    assert (low, high) == pytest.approx(expected["ci95"], abs=5e-7)
    assert associate(tables).method == "mantel_haenszel"


def test_admissions_to_berkeley(example: Example) -> None:
    case = example("mantel_haenszel_ucb")
    _is_berkeley(case["inputs"]["tables"], case["expected"])


def test_admissions_through_the_sql(example: Example) -> None:
    """4,526 applicants as vans: departments as cohorts, men as exposed, admission as the code."""
    case = example("mantel_haenszel_ucb")
    rows = []
    for department, table in enumerate(case["inputs"]["tables"]):
        for sex, outcomes in zip(("male", "female"), table, strict=True):
            for standing, n in zip(("with", "without"), outcomes, strict=True):
                rows += [(f"department {department}", sex, standing)] * n
    frame = pl.DataFrame(rows, schema=["cohort_id", "value", "standing"], orient="row").with_row_index("van")
    frame = frame.with_columns(pl.col("van").cast(pl.String))
    code = {"module": pl.lit("office"), "code": pl.lit("P0001")}
    given = {
        "code_vans": frame.select("cohort_id", "van", "standing", **code, n_scans=pl.lit(1)),
        "stg_vans": frame.select("van", "cohort_id"),
        "van_exposures": frame.select("van", "value", attribute=pl.lit("sex"), is_current=pl.lit(value=True)),
    }
    exposed = _run_model("int_code_exposures", given)
    tables = _run_model("code_exposures", {"int_code_exposures": exposed})
    made = tables.filter(pl.col("level") == "male").sort("stratum")
    cells = made.select("n_exposed_with", "n_exposed_without", "n_other_with", "n_other_without")
    _is_berkeley(cells.to_numpy().reshape(-1, 2, 2), case["expected"])


def test_newcombes_table_through_the_sql(example: Example) -> None:
    """Newcombe 1998, table I, method 3, as shares of vans of four cohorts that have a code."""
    case = example("wilson_newcombe")
    frames = []
    for number, (with_it, n) in enumerate(case["inputs"]["cases"]):
        frames.append(
            pl.DataFrame({"van": [f"{number}-{i}" for i in range(n)], "standing": ["with"] * with_it + ["without"] * (n - with_it)})
            .with_columns(cohort_id=pl.lit(f"cohort {number}"), module=pl.lit("engine"), code=pl.lit("P0401"), n_scans=pl.lit(4))
        )  # fmt: skip
    made = _run_model("code_prevalence", {"code_vans": pl.concat(frames)}).sort("cohort_id")
    found = made.select("share_low", "share_high").to_numpy()
    assert np.allclose(found, case["expected"]["ci95"], atol=5e-5)
