"""Two meters on the same people, three appraisers on the same parts: readers on the same vans."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.compare.agreement import compare_pairs
from pipeline.compare.effects import EffectRules, fit_effects
from pipeline.compare.effects_design import average_scans, choose_months, design_months, lay_out
from pipeline.compare.effects_fit import build_model, fit_additive
from pipeline.compare.effects_readers import link_readers
from pipeline.warehouse import documentation, models
from tests.models import case_tables

Example = Callable[[str], dict[str, Any]]
PLAIN = EffectRules(reader_psi="least squares")


def test_two_meters(example: Example) -> None:
    # Bland and Altman 1986, Lancet i:307-310: large minus mini, first readings; the paper prints -2.1 and 38.8
    case = example("bland_altman_1986")
    large, mini = (np.array(case["inputs"][k], dtype=float) for k in ("wright1", "mini1"))
    n = len(large)
    person, meter = np.tile(np.arange(n), 2), np.repeat([1, 0], n)
    nothing = np.zeros(2 * n, np.int64)
    found = fit_effects(np.r_[large, mini], person, nothing, meter, nothing, nothing, rules=PLAIN).readers
    expected = case["expected"]
    assert found.n_vans[1] == expected["n"] == 17
    assert found.estimate[1] == pytest.approx(expected["bias"], abs=1e-9)
    reach = stats.t.ppf(0.975, n - 1) * expected["sd"] / np.sqrt(n)
    assert (found.low[1], found.high[1]) == pytest.approx(
        (expected["bias"] - reach, expected["bias"] + reach)
    )
    # the difference is far from certain, so nothing is subtracted
    assert found.effect[1] == 0.0


def test_three_appraisers(example: Example) -> None:
    # AIAG, Measurement Systems Analysis, 4th edition: 10 parts, 3 appraisers, 3 trials; the interaction pooled
    case = example("gage_rr_aiag")
    value = np.array(case["inputs"]["rows_part_cols_A123_B123_C123"]).ravel()
    part, column = np.repeat(np.arange(10), 9), np.tile(np.arange(9), 10)
    appraiser, trial = column // 3, column % 3
    nothing = np.zeros(90, np.int64)
    means, visits, _ = average_scans(value, part, trial, appraiser, nothing, nothing, np.ones(90))
    rows = lay_out(means.measure, means.visit, visits)
    assert len(rows) == 90
    months = design_months(rows, rows.block, choose_months(rows, rows.block, 3, min_vans=91, link_vans=91))
    assert len(months.group) == 0  # trials are no seasons: only parts and appraisers are fitted
    links = link_readers(rows, min_vans=4, link_vans=3)
    fit = fit_additive(build_model(rows, months, links.slot_of(rows)), means.value[None], "least squares")
    equipment = (fit.residual**2).sum() / (90 - 10 - 2)
    means = np.r_[0.0, fit.reader[0, 0]]
    between = 30 * means.var(ddof=1)
    expected = case["expected"]
    assert np.sqrt(equipment) == pytest.approx(expected["EV"], abs=2e-6)
    assert np.sqrt((between - equipment) / 30) == pytest.approx(expected["AV"], abs=2e-6)


def test_three_appraisers_differ(example: Example) -> None:
    case = example("gage_rr_aiag")
    value = np.array(case["inputs"]["rows_part_cols_A123_B123_C123"]).ravel()
    part, column = np.repeat(np.arange(10), 9), np.tile(np.arange(9), 10)
    nothing = np.zeros(90, np.int64)
    found = fit_effects(value, part, nothing, column // 3, nothing, nothing).readers
    # reproducibility is 4.4 % of the variance and larger than repeatability in the published table
    assert (found.q[1:] < 0.05).all()
    assert (found.effect[1:] == found.estimate[1:]).all()
    by_appraiser = value.reshape(10, 3, 3).mean(axis=(0, 2))
    assert found.estimate[1:] == pytest.approx(by_appraiser[1:] - by_appraiser[0], abs=0.05)


def test_two_meters_through_the_mart(example: Example) -> None:
    """The same paper: the pairs are found by the SQL of `reader_pairs`, bias and limits follow from its rows."""
    case = example("bland_altman_1986")
    large, mini = (np.array(case["inputs"][k], dtype=float) for k in ("wright1", "mini1"))
    house, connection = documentation.empty_house(), duckdb.connect()
    model = next(m for m in models.load() if m.name == "reader_pairs")
    for table in models.tables_read(model.text):
        case_tables.make_table(connection, house, table, None)
    for meter, values, hour in (("large", large, 8), ("mini", mini, 9)):
        for person, value in enumerate(values):
            key = f"{meter}/{person}"
            connection.execute(
                "insert into stg_scans (scan_key, scan_id, van, reader, scanned_at, scan_month, is_contradicted)"
                " values ($1, $2, $2, $3, make_timestamp(1986, 2, 8, $4, 0, 0), date '1986-02-01', false)",
                [key, str(person), meter, hour],
            )
            connection.execute(
                "insert into int_scan_values (scan_key, scan_month, parameter, state, value)"
                " values ($1, date '1986-02-01', 'air_mass_flow', 'warm_idle', $2)",
                [key, value],
            )
    rows = connection.sql(model.text).pl()
    assert rows.height == case["expected"]["n"] == 17
    assert rows.select("reader", "other_reader").unique().rows() == [("large", "mini")]
    found = compare_pairs(
        rows["value"].to_numpy(),
        rows["other_value"].to_numpy(),
        rows["van"].cast(pl.Int64).to_numpy(),
        np.zeros(rows.height, int),
    )
    assert found.bias[0] == pytest.approx(case["expected"]["bias"], abs=1e-9)
    assert found.sd[0] == pytest.approx(case["expected"]["sd"], abs=1e-9)
    # the paper rounds z to 2: -79.7 and 75.5; at 1.96 the limits are -78.1 and 73.9
    assert (found.lower[0], found.upper[0]) == pytest.approx((-78.1, 73.9), abs=0.05)
