"""The page on parking and fittings, its charts and what it writes to files."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import polars as pl
import pypdf
import pytest
from typer.testing import CliRunner

from dashboard.charts import exposures as chart
from dashboard.charts import shift_rows
from dashboard.charts.exposure_words import (
    Contrast,
    say_along,
    say_count,
    say_decides,
    say_effect,
    say_pairs,
    say_twin,
)
from dashboard.charts.palette import DARK, PRINT
from dashboard.charts.words import CAVEAT, Reading
from dashboard.exports import Asked, chart_file
from dashboard.exports.exposure_pictures import choose_rows, find_contrast
from dashboard.questions import exposures, fleet
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.cli import app
from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.warehouse import documentation
from tests.dashboard import compare_fleet, golden
from tests.dashboard import fleet as invented
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page, read_page

PARKING = Contrast("parking", "open", "open", "shaded", "shaded")
INTAKE = Reading("intake_air_temp", "warm_idle", "Intake air temperature", "warm idle", "°C", 1)


@pytest.fixture(scope="module")
def opened(fleet: Fleet) -> Warehouse:
    return open_warehouse(Home(fleet.home))


def _vans(opened: Warehouse, reading: Reading = INTAKE) -> pl.DataFrame:
    names = fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list()
    return exposures.list_exposure_vans(
        opened, "parking", ("open", "shaded"), reading.parameter, reading.state, names
    )


# ---- the seam and the questions


def test_the_tables_restated_here_are_those_that_a_build_publishes() -> None:
    import duckdb

    house, connection = documentation.empty_house(), duckdb.connect()
    connection.execute(Path(__file__).with_name("compare_marts.sql").read_text(encoding="utf-8"))
    tables = [row[0] for row in connection.execute("select table_name from duckdb_tables()").fetchall()]
    assert len(tables) == 14
    for table in tables:
        rows = connection.execute(f"describe {table}").fetchall()
        assert {row[0]: row[1] for row in rows} == dict(house.columns(table)), table


def test_the_surest_reading_comes_first(opened: Warehouse) -> None:
    rows = choose_rows(exposures.list_exposure_effects(opened), PARKING)
    assert rows.row(0, named=True)["parameter"] == "intake_air_temp"
    assert rows["p"].is_sorted()
    assert rows.height == len(invented.CELLS)


def test_a_van_that_changed_sides_stands_on_both(opened: Warehouse) -> None:
    vans = _vans(opened)
    moved = vans.filter(pl.col("van") == compare_fleet.MOVED)
    assert moved["is_exposed"].to_list() == [True, False]
    assert moved["is_both"].all()
    assert not vans.filter(pl.col("van") != compare_fleet.MOVED)["is_both"].any()
    # a span's mean is that of its scans, the sun's share added where it stood in the open
    levels = invented.build_tables()["exposure_levels"].filter(
        (pl.col("van") == compare_fleet.MOVED)
        & (pl.col("parameter") == "intake_air_temp")
        & (pl.col("state") == "warm_idle")
    )
    assert sorted(moved["value"]) == pytest.approx(sorted(levels["y"]))


def test_the_groups_middle_shift_is_the_hodges_lehmann_estimate(opened: Warehouse) -> None:
    """Hodges and Lehmann 1963, Annals of Mathematical Statistics 34:598: the median of all pairwise differences."""
    vans = _vans(opened).filter(pl.col("cohort_id").str.contains("Pell.*2015"))
    a, b = (vans.filter(pl.col("is_exposed") == side)["value"].to_numpy() for side in (True, False))
    assert vans["median_shift"][0] == pytest.approx(float(np.median(np.subtract.outer(a, b))))


def test_a_dated_change_is_told_once(opened: Warehouse) -> None:
    names = fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list()
    changes = exposures.list_exposure_changes(opened, "parking", names)
    assert changes.rows() == [(compare_fleet.MOVED, compare_fleet.MOVED_ON, "shaded", "open")]
    assert exposures.list_exposure_changes(opened, "parking", ["041"]).is_empty()


# ---- words


def _row(**more: object) -> dict[str, object]:
    base = {"shift": 3.0, "shift_low": 2.0, "shift_high": 4.0, "q": 0.001, "smallest_useful": 5.0, "resolution": 1.0,
            "n_pairs": 0, "pair_shift": None, "pair_low": None, "pair_high": None, "twin_attribute": None,
            "twin_level": None}  # fmt: skip
    return base | more


def test_a_shift_is_graded_by_sureness_and_size() -> None:
    assert shift_rows.grade(_row()) == "higher"
    assert shift_rows.grade(_row(shift=-3.0)) == "lower"
    assert shift_rows.grade(_row(q=0.1)) == "likely"
    assert shift_rows.grade(_row(q=0.5)) == "unsure"
    assert shift_rows.grade(_row(shift=0.4)) == "unsure"
    assert say_count([_row(), _row(q=0.1), _row(q=0.5)]) == "1 of 3 readings differs, 1 more likely."
    assert say_count([_row(q=0.5)]) == "None of 1 reading differ."


def test_what_is_said_of_one_reading() -> None:
    assert say_effect(_row(), PARKING, INTAKE) == (
        "Vans with parking open read 3.0 °C higher in Intake air temperature, warm idle."
    )
    assert "no difference that is sure" in say_effect(_row(q=0.9), PARKING, INTAKE)
    assert say_pairs(_row(), INTAKE) == "No van was seen both ways."
    assert say_pairs(_row(n_pairs=2, pair_shift=1.5), INTAKE) == (
        "2 vans seen both ways moved by +1.5 °C; too few for an interval."
    )
    assert say_twin(_row(twin_attribute="depot", twin_level="mill lane")).startswith(
        "Cannot be told apart from depot mill lane"
    )


def test_what_would_decide() -> None:
    assert "5 more vans in all" in say_decides(_row(n_pairs=1), PARKING, INTAKE)
    assert "Change only parking on two vans, not depot" in say_decides(
        _row(twin_attribute="depot", twin_level="x"), PARKING, INTAKE
    )
    assert "already speak" in say_decides(_row(n_pairs=8), PARKING, INTAKE)


def test_what_goes_along_is_named_from_four_vans_of_five(opened: Warehouse) -> None:
    overlaps = exposures.list_exposure_overlaps(opened, "parking", "open")
    assert say_along(overlaps.iter_rows(named=True)) == [
        "Goes along with depot mill lane on 29 of 30 vans.",
        "These vans also have 6,200 km less on the clock.",
    ]


# ---- charts


def test_golden_exposure(opened: Warehouse) -> None:
    golden.compare("exposure", chart.draw_exposure(_vans(opened), PARKING, INTAKE, PRINT))


def test_golden_shift_rows(opened: Warehouse) -> None:
    rows = choose_rows(exposures.list_exposure_effects(opened), PARKING)
    golden.compare("shift_rows", shift_rows.draw_shifts(rows, PARKING.title, INTAKE.title, PRINT))


def test_a_level_named_like_code_stays_a_name(opened: Warehouse) -> None:
    hostile = Contrast("parking", "open", "o'); alert(1); ('", "shaded", "sha\\ded'")
    drawn = chart.draw_exposure(_vans(opened), hostile, INTAKE, DARK)
    told = [
        layer["encoding"]["shape"]["legend"]["labelExpr"]
        for layer in drawn.spec["layer"]
        if layer["encoding"].get("shape")
    ]
    assert told == ["({'first': 'parking o’); alert(1); (’', 'other': 'parking sha ded’'})[datum.label]"]


def test_one_wide_interval_does_not_squeeze_the_rest(opened: Warehouse) -> None:
    rows = choose_rows(exposures.list_exposure_effects(opened), PARKING).head(3)
    wide = rows.with_columns(
        shift_high=pl.when(pl.int_range(pl.len()) == 2).then(1e6).otherwise("shift_high")
    )
    drawn = shift_rows.draw_shifts(wide, "x", None, PRINT)
    domain = drawn.spec["layer"][0]["encoding"]["x"]["scale"]["domain"]
    assert domain[1] < 100


# ---- the page


def test_the_page_says_what_differs_what_goes_along_and_what_would_decide(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "parking", monkeypatch)
    text = read_page(at)
    assert not at.exception
    assert "Parking: open against shaded. 1 of 11 readings differs" in text
    assert re.search(
        r"Vans with parking open read [2-5]\.\d °C higher in Intake air temperature, warm idle", text
    )
    assert "Cannot be told apart from depot mill lane" in text
    assert "Goes along with depot mill lane on 29 of 30 vans." in text
    assert "What would decide.** Change only parking on two vans, not depot" in text
    assert "An association, not a cause" in text
    assert CAVEAT in text
    tables = [frame.value for frame in at.dataframe]
    assert any("change" in t and t["change"].tolist() == ["shaded to open"] for t in tables)


def test_another_reading_is_chosen_by_the_address(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "parking", monkeypatch, parking_reading="Rail pressure, warm idle")
    assert "Rail pressure, warm idle: no difference that is sure" in read_page(at)
    assert at.query_params["parking"] == "Parking: open against shaded"
    at = open_page(fleet.home, "parking", monkeypatch, parking_reading="Wing flutter")
    assert "Not tested against it: “Wing flutter”" in read_page(at)
    at = open_page(fleet.home, "parking", monkeypatch, parking="Moon: full against new")
    assert "No vans were compared by “Moon: full against new”" in read_page(at)
    assert not at.error


def test_a_hostile_level_is_shown_letter_by_letter(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    title = Contrast(
        "guard", compare_fleet.HOSTILE_LEVEL.lower(), compare_fleet.HOSTILE_LEVEL, "no", "no"
    ).title
    at = open_page(fleet.home, "parking", monkeypatch, parking=title)
    assert not at.exception
    for element in [*at.markdown, *at.caption, *at.header]:
        assert "](http" not in element.value
        assert "<b>" not in element.value


def test_filters_narrow_the_dots_and_an_empty_rest_is_told(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(
        fleet.home, "parking", monkeypatch, model="Ostrey Pell", model_year="2018", depot="Harbour Road"
    )
    assert not at.exception
    assert "1 of 11 readings differs" in read_page(at)


def test_without_an_exposure_the_page_says_what_to_write_down(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = invented.build_tables()
    tables["exposure_effects"] = tables["exposure_effects"].head(0)
    invented.publish(own_fleet.home, build=2, tables=tables)
    at = open_page(own_fleet.home, "parking", monkeypatch)
    assert "Nothing to compare yet" in at.info[0].value
    with pytest.raises(KinbayError, match="No exposure could be compared"):
        find_contrast(exposures.list_exposure_effects(open_warehouse(Home(own_fleet.home))), None)


def test_a_reading_that_no_shown_van_has_is_told(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    tables = invented.build_tables()
    tables["exposure_levels"] = tables["exposure_levels"].head(0)
    invented.publish(own_fleet.home, build=2, tables=tables)
    assert "No van shown was read at either level" in read_page(
        open_page(own_fleet.home, "parking", monkeypatch)
    )


# ---- files


def test_charts_of_exposures_are_written(fleet: Fleet, tmp_path: Path) -> None:
    run = CliRunner().invoke(
        app, ["chart", "exposure", "--out", str(tmp_path / "all.svg"), "--home", str(fleet.home)]
    )
    assert run.exit_code == 0, run.output
    assert "Parking: open against shaded, all readings" in (tmp_path / "all.svg").read_text("utf-8")
    asked = Asked(parameter="intake_air_temp", state="warm_idle", attribute="Parking")
    chart_file(fleet.home, "exposure", asked, tmp_path / "one.pdf")
    said = pypdf.PdfReader(tmp_path / "one.pdf").pages[0].extract_text()
    assert "association" in said.replace("\n", " ")
    with pytest.raises(KinbayError) as told:
        chart_file(fleet.home, "exposure", Asked(attribute="parkng"), tmp_path / "x.svg")
    assert told.value.remedy == "Did you mean parking?"
