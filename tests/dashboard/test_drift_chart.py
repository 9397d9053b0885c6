"""The picture of a van that drifts: what is drawn, what is said, and that its figures are those of the build."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from dashboard.charts.drift import draw_drift, say_drift
from dashboard.charts.drift_words import say_edge
from dashboard.charts.palette import PRINT
from dashboard.questions import vans
from dashboard.questions.warehouse import open_warehouse
from pipeline.cli import app
from pipeline.errors import KinbayError
from tests.conftest import Demo
from tests.dashboard import golden

ROW: dict[str, Any] = {
    "parameter": "fill_index", "state": "warm_idle", "parameter_name": "Fill index", "state_name": "warm idle",
    "unit": "1", "resolution": 0.001, "smallest_useful": 0.05, "tier": "finding", "reason": None, "slope": -0.01,
    "slope_low": -0.013, "slope_high": -0.007, "difference": -0.11, "interval_low": -0.14, "interval_high": -0.08,
    "start_value": 0.0, "end_value": -0.11, "range_low": -0.2, "range_high": 0.2, "n_scans": 24, "n_months": 12,
    "n_siblings": 6, "is_step": False, "step_at": None, "step_size": None, "step_low": None, "step_high": None, "step_end": None, "has_left": False,
    "leaves_at": dt.datetime(2026, 9, 1), "leaves_from": dt.datetime(2026, 7, 1), "leaves_to": dt.datetime(2027, 1, 1),
}  # fmt: skip


def months(values: list[float]) -> pl.DataFrame:
    dates = [dt.date(2025, 1 + n, 1) for n in range(len(values))]
    at = [dt.datetime(d.year, d.month, 15) for d in dates]
    return pl.DataFrame({"scan_month": dates, "difference": values, "at": at, "n_scans": [2] * len(values)})


FALLING = months([-0.01 * n for n in range(12)])


def test_the_words_name_course_pace_edge_and_when_it_could_be_seen() -> None:
    said = say_drift(ROW, FALLING)
    assert said.startswith(
        "▼ Falls away: −0.110 in all (95 % −0.140 to −0.080), −0.010 a month, 24 scans in 12 months"
    )
    assert "against 6 siblings. Leaves the siblings' range: about Sep 2026 (Jul 2026 to Jan 2027)." in said
    assert "A running tally of the months would have shown it by" in said
    assert "It has left the siblings' range." in say_drift(ROW | {"has_left": True}, FALLING)


def test_a_step_is_said_and_drawn_as_two_levels_with_nothing_drawn_on() -> None:
    at = dt.datetime(2025, 6, 15)
    row = ROW | {
        "is_step": True,
        "step_at": at,
        "step_size": -0.3,
        "step_low": -0.35,
        "step_high": -0.25,
        "step_end": -0.28,
    }
    said = say_drift(row, FALLING)
    assert said.startswith(
        "▼ Stepped down at once about Jun 2025: −0.300 (−0.350 to −0.250), 95 % interval; 24 scans in"
    )
    assert "It stands outside the siblings' range since then." in said
    assert "Leaves" not in said
    chart = draw_drift("002", row, FALLING, PRINT)
    assert chart.data["seen"]["middle"].to_list() == pytest.approx([0.02, 0.02, -0.28, -0.28])
    assert chart.data["seen"]["at"].to_list()[1:3] == [at, at]
    assert chart.data["on"].is_empty()
    assert say_edge(row | {"step_end": 0.1}) == "within it since"


def test_what_is_not_shown_is_neither_drawn_on_nor_said_to_have_been_visible() -> None:
    quiet = ROW | {"tier": "none"}
    assert "tally" not in say_drift(quiet, FALLING)
    chart = draw_drift("002", quiet, FALLING, PRINT)
    assert chart.data["on"].is_empty()
    assert chart.data["leaves"].is_empty()
    assert {layer["data"]["name"] for layer in chart.spec["layer"]} == {"range", "months", "seen"}


def test_the_line_is_drawn_on_to_where_it_leaves_with_both_ends_of_its_interval() -> None:
    chart = draw_drift("<b>002", ROW, FALLING, PRINT)
    start, end = chart.data["on"].rows(named=True)
    run = (end["at"] - start["at"]).days / (365.25 / 12)
    assert [end[k] for k in ("middle", "low", "high")] == pytest.approx(
        [-0.11 + slope * run for slope in (-0.01, -0.013, -0.007)], rel=1e-3
    )
    assert chart.data["leaves"]["at"].to_list() == [dt.datetime(2026, 9, 1)]
    # weight 0.3, from the first month: 0, then 0.3 x -0.01
    assert chart.data["months"]["smoothed"][1] == pytest.approx(-0.003)


def test_the_chart_of_the_demo_shows_the_planted_wear(demo: Demo, tmp_path: Path) -> None:
    """Van 002, six sd in eighteen months (demo_warehouse/scenario.toml, regulator_wears); the months are the build's."""
    warehouse = open_warehouse(demo.home)
    row = vans.list_van_drifts(warehouse, "002").row(0, named=True)
    seen = vans.list_drift_months(warehouse, "002", row["parameter"], row["state"])
    assert (row["parameter"], seen.height) == ("rail_regulator_duty", row["n_months"])
    days = (seen["at"] - seen["at"][0]).dt.total_days().to_numpy() / (365.25 / 12)
    i, j = np.triu_indices(seen.height, 1)
    values = seen["difference"].to_numpy()
    slopes = (values[j] - values[i]) / (days[j] - days[i])
    assert np.median(slopes) == pytest.approx(row["slope"], rel=0.05)  # days are cut to whole ones here
    out = tmp_path / "drift.svg"
    asked = ["chart", "drift", "--van", "002", "--out", str(out), "--home", str(demo.home.path)]
    assert CliRunner().invoke(app, asked).exit_code == 0
    assert "Climbs away" in out.read_text("utf-8")
    refused = CliRunner().invoke(app, [*asked, "--parameter", "no_such"])
    assert isinstance(refused.exception, KinbayError)


def test_shares_of_a_state_are_drawn_from_the_command_line(demo: Demo, tmp_path: Path) -> None:
    asked = ["chart", "shares", "--out", str(tmp_path / "s.svg"), "--home", str(demo.home.path)]
    assert CliRunner().invoke(app, asked).exit_code == 0
    assert "Where differences come from, warm idle" in (tmp_path / "s.svg").read_text("utf-8")
    refused = CliRunner().invoke(app, [*asked, "--state", "no_such"])
    assert isinstance(refused.exception, KinbayError)


def test_golden_drift() -> None:
    golden.compare("drift", draw_drift("002", ROW, FALLING, PRINT))
