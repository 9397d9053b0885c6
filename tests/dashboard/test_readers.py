"""The page on readers, its charts and what it writes to files."""

from __future__ import annotations

import math
from pathlib import Path

import polars as pl
import pypdf
import pytest
from typer.testing import CliRunner

from dashboard.charts.agreement import draw_agreement
from dashboard.charts.palette import PRINT
from dashboard.charts.reader_words import (
    NEVER_MET,
    measure_agreement,
    say_agreement,
    say_limit,
    say_module,
    say_seen,
    say_updated,
)
from dashboard.charts.words import CAVEAT, Reading
from dashboard.exports import Asked, chart_file
from dashboard.exports.reader_pictures import picture_update
from dashboard.questions import fleet, readers
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.cli import app
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.dashboard import fleet as invented
from tests.dashboard import golden
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page, read_page

TWO = ("Yard tablet", "Blue handheld")
COOLANT = Reading("coolant_temp", "warm_idle", "Engine coolant temperature", "warm idle", "°C", 1)


@pytest.fixture(scope="module")
def opened(fleet: Fleet) -> Warehouse:
    return open_warehouse(Home(fleet.home))


def _pairs(opened: Warehouse, two: tuple[str, str] = TWO) -> pl.DataFrame:
    names = fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list()
    return readers.list_reader_pairs(opened, two, "coolant_temp", "warm_idle", names)


def test_the_difference_is_the_first_reader_less_the_second(opened: Warehouse) -> None:
    one, other = _pairs(opened), _pairs(opened, TWO[::-1])
    assert one.height == 8
    assert one["difference"].to_list() == (-other["difference"]).to_list()
    assert (one["value"] - one["other_value"]).to_list() == pytest.approx(one["difference"].to_list())


def test_two_pairs_of_a_van_are_one_van(opened: Warehouse) -> None:
    """By hand: vans' mean differences 1.4, 1.6, 1.2, 1.5, 1.3, 1.4 of 041 to 046; mean 1.4, sd sqrt(0.02)."""
    agreed = measure_agreement(_pairs(opened), 0.1)
    assert (agreed.n_vans, agreed.n_pairs) == (6, 8)
    assert agreed.bias == pytest.approx(1.4)
    reach = 2.570582 * math.sqrt(0.02 / 6)  # Student's t, 5 degrees of freedom, handbook table
    assert (agreed.bias_low, agreed.bias_high) == pytest.approx((1.4 - reach, 1.4 + reach), abs=1e-5)
    assert agreed.lower < agreed.bias_low < agreed.bias_high < agreed.upper


def test_what_is_said_of_two_readers(opened: Warehouse) -> None:
    verdict, figures = say_agreement(measure_agreement(_pairs(opened), 0.1), COOLANT, TWO, 5.0)
    assert verdict == (
        "Yard tablet shows 1.4 °C more than Blue handheld in Engine coolant temperature, warm idle."
    )
    assert "6 vans, 8 pairs of scans within 24 hours" in figures
    assert "19 times of 20" in figures
    none = measure_agreement(_pairs(opened).head(0), 0.1)
    assert say_agreement(none, COOLANT, TWO, 5.0)[0] == NEVER_MET
    one = measure_agreement(_pairs(opened).filter(pl.col("van") == "041"), 0.1)
    assert "Only one van was read by both" in say_agreement(one, COOLANT, TWO, 5.0)[0]


def test_what_a_reader_sees_is_told_by_shape_and_word() -> None:
    row = {"n_scans": 0, "value_least": None, "unit": "%"}
    assert say_seen(row) == "✚ never shown"
    assert say_seen(row | {"n_scans": 3}) == "● 3 scans"
    assert say_seen(row | {"n_scans": 3, "value_least": 25.0}) == "■ always 25 %"
    module = {"n_answered": 0, "n_silent": 0, "n_not_asked": 0, "n_scans": 4}
    assert say_module(module) == "✚ not said"
    assert say_module(module | {"n_not_asked": 4}) == "✚ not asked"
    assert say_module(module | {"n_silent": 4}) == "■ silent, asked 4"
    assert say_module(module | {"n_answered": 3}) == "● answered 3 of 4"


def test_a_limit_that_a_whole_group_is_outside_of() -> None:
    row = {"parameter": "x", "state": "y", "parameter_name": "X", "state_name": "y", "unit": "V", "resolution": 0.1,
           "smallest_useful": 1.0, "low": None, "high": 14.0, "n_vans": 10, "n_vans_outside": 8}  # fmt: skip
    # Newcombe 1998, Statistics in Medicine 17:857, method 3 (Wilson): 8 of 10 is 0.490 to 0.943, worked from its formula
    assert say_limit(row) == ("at most 14.0 V", "8 of 10 vans, 80 % (49 to 94)")


def test_golden_agreement(opened: Warehouse) -> None:
    pairs = _pairs(opened)
    golden.compare("agreement", draw_agreement(pairs, measure_agreement(pairs, 0.1), COOLANT, TWO, PRINT))


def test_the_page_says_who_met_how_they_agree_and_what_they_see(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "readers", monkeypatch)
    text = read_page(at)
    assert not at.exception
    assert "2 readers on the vans shown. Blue handheld and Yard tablet met on 6 vans." in text
    assert "Yard tablet shows 1.4 °C more than Blue handheld in Engine coolant temperature, warm idle" in text
    assert "On all vans that both have read, Yard tablet less Blue handheld: +1.4 °C (+1.1 to +1.7)" in text
    assert "It is taken off before vans are compared." in text
    assert "Pairs of one van are not independent" in text  # in the key of the chart
    assert CAVEAT in text
    tables = [frame.value for frame in at.dataframe]
    seen = next(t for t in tables if "parameter_name" in t)
    assert "✚ never shown" in str(seen.values.tolist())
    assert "■ always 25 %" in str(seen.values.tolist())
    assert any("● answered" in str(t.values.tolist()) for t in tables if "van" in t)


def test_an_update_is_told_with_its_date_and_what_moved(
    fleet: Fleet, opened: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = read_page(open_page(fleet.home, "readers", monkeypatch))
    assert (
        "Since then: Engine coolant temperature, warm idle +3.0 °C (+2.3 to +3.7) on 20 vans. Taken off"
        in text
    )
    chart, caption = picture_update(opened, "Yard tablet, 11 to 12, 03 Feb 2026")
    assert chart.data["rows"]["word"].to_list() == ["Higher", "Not sure, or too small to matter"]
    assert (caption.n_vans, "What the update did" in caption.title) == (44, True)
    rows = readers.list_reader_updates(opened)
    assert say_updated(rows.filter(~pl.col("is_shown"))).startswith("None of 1 reading stepped")
    untold = rows.with_columns(p=pl.lit(None, pl.Float64), reason=pl.lit("fewer than 4 vans"))
    assert say_updated(untold).startswith("Cannot be told: fewer than 4 vans. Read vans with it")


def test_readers_that_never_met_are_told_what_to_scan(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = invented.build_tables()
    for name in ("reader_pairs", "reader_effects"):
        tables[name] = tables[name].head(0)
    invented.publish(own_fleet.home, build=2, tables=tables)
    at = open_page(own_fleet.home, "readers", monkeypatch)
    text = read_page(at)
    assert "Never within 24 hours: Blue handheld and Yard tablet." in text
    assert NEVER_MET in text
    with pytest.raises(KinbayError, match="No two readers can be held against each other"):
        chart_file(own_fleet.home, "readers", Asked(), own_fleet.home / "x.svg")


def test_one_reader_alone_is_held_against_none(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    tables = invented.build_tables()
    tables["scans"] = tables["scans"].with_columns(pl.lit("Yard tablet").alias("reader"))
    invented.publish(own_fleet.home, build=2, tables=tables)
    assert "With one reader there is none to hold it against." in read_page(
        open_page(own_fleet.home, "readers", monkeypatch)
    )
    tables["scans"] = tables["scans"].with_columns(pl.lit(None, pl.String).alias("reader"))
    invented.publish(own_fleet.home, build=3, tables=tables)
    assert (
        "No scan of the vans shown names its reader."
        in open_page(own_fleet.home, "readers", monkeypatch).info[0].value
    )


def test_suspect_limits_are_listed(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    tables = invented.build_tables()
    tables["limit_shares"] = tables["limit_shares"].with_columns(n_vans_outside=pl.col("n_vans"))
    invented.publish(own_fleet.home, build=2, tables=tables)
    at = open_page(own_fleet.home, "readers", monkeypatch)
    assert any("100 %" in str(frame.value.values.tolist()) for frame in at.dataframe)


def test_charts_of_readers_are_written(fleet: Fleet, tmp_path: Path) -> None:
    run = CliRunner().invoke(
        app, ["chart", "readers", "--out", str(tmp_path / "all.svg"), "--home", str(fleet.home)]
    )
    assert run.exit_code == 0, run.output
    assert "Yard tablet against Blue handheld, all readings" in (tmp_path / "all.svg").read_text("utf-8")
    chart_file(
        fleet.home, "readers", Asked(parameter="coolant_temp", state="warm_idle"), tmp_path / "one.pdf"
    )
    said = pypdf.PdfReader(tmp_path / "one.pdf").pages[0].extract_text().replace("\n", " ")
    assert "Yard tablet shows 1.4 °C more than Blue handheld" in said
    with pytest.raises(KinbayError, match="never read one van within 24 hours"):
        chart_file(fleet.home, "readers", Asked(parameter="rail_pressure"), tmp_path / "x.svg")
