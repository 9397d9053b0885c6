"""The page on codes, its charts and what it writes to files."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import duckdb
import numpy as np
import polars as pl
import pypdf
import pytest
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from dashboard.charts import code_returns, code_shares, code_strips, van_codes
from dashboard.charts.code_names import ANSWER_SHAPES, ANSWER_WORDS, Code, say_share, say_steadiness
from dashboard.charts.palette import DARK, PRINT
from dashboard.charts.words import CAVEAT
from dashboard.exports import Asked, chart_file
from dashboard.questions import codes, fleet
from dashboard.questions import vans as ask_vans
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.cli import app
from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.warehouse import documentation
from tests.dashboard import code_fleet, golden
from tests.dashboard import fleet as invented
from tests.dashboard.fleet import HOSTILE_VAN, Fleet
from tests.dashboard.shown import open_page, read_page

FLOW = Code("engine", "P0401", "exhaust gas recirculation flow too low", "standard")
NUMBER = Code("body", "51207", "", "number")


@pytest.fixture(scope="module")
def opened(fleet: Fleet) -> Warehouse:
    return open_warehouse(Home(fleet.home))


def _names(opened: Warehouse, filters: Filters = ALL_VANS) -> list[str]:
    return fleet.list_shown_vans(opened, filters)["van"].to_list()


def _tables(at: AppTest) -> list[Any]:
    return [frame.value for frame in at.dataframe]


# ---- the seam


def test_the_tables_restated_here_are_those_that_a_build_publishes() -> None:
    house = documentation.empty_house()
    connection = duckdb.connect()
    connection.execute(Path(__file__).with_name("code_marts.sql").read_text(encoding="utf-8"))
    tables = [row[0] for row in connection.execute("select table_name from duckdb_tables()").fetchall()]
    assert len(tables) == 13
    for table in tables:
        rows = connection.execute(f"describe {table}").fetchall()
        assert {row[0]: row[1] for row in rows} == dict(house.columns(table)), table


# ---- questions


def test_counts_are_those_of_the_shown_vans_and_shares_those_of_whole_groups(opened: Warehouse) -> None:
    some = Filters(models=("Tarnwell Bracken 22",), model_years=(2014,), depots=("Mill Lane",))
    listed = (
        codes.list_codes(opened, _names(opened, some)).filter(pl.col("code") == "51207").row(0, named=True)
    )
    assert (listed["n_vans"], listed["n_vans_with"]) == (
        6,
        6,
    )  # every other van of the group, all of them open
    (share,) = (
        codes.list_code_cohorts(opened, _names(opened, some)).filter(pl.col("code") == "51207").to_dicts()
    )
    assert (share["n_vans"], share["n_vans_with"]) == (12, 6)


def test_a_van_says_one_of_five_things_about_a_code(opened: Warehouse) -> None:
    scans = codes.list_code_scans(opened, "body", "51207", _names(opened))
    assert set(scans["standing"]) == {"present", "absent", "not_answered", "unknown"}
    assert set(scans["why_unknown"].drop_nulls()) <= {"not_asked", "not_said", "cleared"}


def test_a_pair_is_told_from_both_sides(opened: Warehouse) -> None:
    one = codes.list_code_fellows(opened, "body", "51207").row(0, named=True)
    other = codes.list_code_fellows(opened, "engine", "P0401").row(0, named=True)
    assert (one["other_code"], other["other_code"]) == ("P0401", "51207")
    assert (one["n_with"], one["n_with_other"]) == (other["n_with_other"], other["n_with"])


# ---- the page


def test_the_page_tells_how_common_how_steady_and_whether_it_comes_back(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = ("Van by van", "After clearing", "When it sets", "What goes with it", "Whole fleet")
    pages = [
        open_page(fleet.home, "codes", monkeypatch, code="P0401, engine", code_look=look) for look in looks
    ]
    text = "\n".join(map(read_page, pages))
    for part in (
        "**3 codes on the vans shown; 1 needs a look.**",
        "A van counts for a code only where its module was asked and answered",
        "**P0401, engine: exhaust gas recirculation flow too low**",
        "Tarnwell Bracken 22 2.2D 2014: 1 of 12 vans, 8 % (1 to 35).",
        "It lit a warning lamp on",
        "Failure types: 22 signal amplitude above maximum (2 vans).",
        "Of 6 vans with a freeze frame (8 frames): ",
        "Nobody has written anything about this code yet",
        "It came back on 4 of 6 vans after the first clearing; half were back within about",
        CAVEAT,
        "Too few vans have it, or too few differ",
        "No work is on record after which it was gone for good.",
        "7 of 9 vans of this group carry P0401",
        "Readers may ask for different kinds of entries",
    ):
        assert part in text, part


def test_an_undescribed_number_is_told_by_its_company_exposures_and_end(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "codes", monkeypatch, code="51207, body", code_look="What goes with it")
    cleared = open_page(fleet.home, "codes", monkeypatch, code="51207, body", code_look="After clearing")
    text = f"{read_page(at)}\n{read_page(cleared)}"
    assert "**51207, body: maker's own, no text known**" in text
    assert "No reader says whether it lights a warning lamp." in text
    assert "It was never cleared after it had been seen" in text
    assert "Gone after replaced door lock: 2 vans (061, 063)." in text
    assert "An association, not a cause" in text
    exposures = next(t for t in _tables(at) if "odds_span" in t)
    assert exposures["what"].tolist() == ["parking: open", "windscreen guard: no"]
    assert exposures["odds_span"].tolist()[0] == "2.1 to any size"
    assert exposures["beside"].tolist()[1] == "parking: open"
    fellows = next(t for t in _tables(at) if "other_code" in t)
    assert fellows["overlap"].tolist() == [18.0]


def test_the_first_code_is_chosen_and_stands_in_the_address(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "codes", monkeypatch)
    assert at.query_params["code"] == "P0401, engine"  # the one that stands out
    at.selectbox(key="code").select("51207, body").run()
    assert "**51207, body:" in read_page(at)


def test_a_code_nobody_shows_is_answered(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "codes", monkeypatch, code="P9999, engine")
    assert "No van shown here ever showed “P9999, engine”" in read_page(at)
    assert not at.exception
    assert not at.error


def test_vans_without_a_code_get_an_answer_and_no_all_clear(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(
        fleet.home, "codes", monkeypatch, model="Ostrey Pell", model_year="2018", depot=["Harbour Road"]
    )
    assert "No scan of the vans shown lists a code" in at.info[0].value
    assert "asked and answered" in at.info[0].value


def _with_findings(home: Path) -> None:
    tables = invented.build_tables()
    storm = tables["low_voltage_scans"].row(0, named=True)
    day = dt.datetime(2026, 9, 1)
    more = [
        {"finding_id": "c1", "kind": "low_voltage_cluster", "tier": "finding", "rank": 1, "van": storm["van"],
         "scan_id": storm["scan_id"], "reader": storm["reader"], "claim": "Van 066: one code looks like low supply voltage.",
         "next_check": "Battery first: save codes.", "rivals": '["a fault of the network"]',
         "cautions": '["Charging gives hydrogen."]', "n_vans": 1, "n_scans": 1},
        {"finding_id": "c2", "kind": "code_persistent", "tier": "likely", "rank": 2, "van": "047", "code": "P0401",
         "module": "engine", "against": "siblings", "value": 0.92, "unit": "1", "interval_low": 0.65, "interval_high": 0.99,
         "n_siblings": 11, "n_scans": 12, "first_seen": day, "last_seen": day, "claim": "Van 047 keeps showing P0401.",
         "next_check": "Read air mass.", "rivals": "[]", "cautions": "[]"},
        {"finding_id": "c3", "kind": "exposure_effect", "tier": "finding", "rank": 3, "attribute": "parking", "level": "open",
         "code": "51207", "module": "body", "against": "other_level", "value": 12.4, "unit": "1", "interval_low": 2.1,
         "interval_high": 88.0, "n_vans": 30, "claim": "Vans with parking open show 51207 more often.",
         "next_check": "Swap two vans.", "rivals": "[]", "cautions": "[]"},
    ]  # fmt: skip
    tables["findings"] = pl.concat(
        [pl.DataFrame(more, infer_schema_length=None), tables["findings"]], how="diagonal_relaxed"
    )
    invented.publish(home, build=2, tables=tables)


def test_the_battery_comes_first_with_its_signs(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    _with_findings(own_fleet.home)
    at = open_page(own_fleet.home, "codes", monkeypatch, code="P0401, engine")
    text = read_page(at)
    assert at.main.header[0].value == "Battery first"
    assert at.main.header[1].value == "Van 066"
    assert "Signs: a code for low supply voltage (+3); the van had stood for days (+2)" in text
    assert "In all 7; points are proposals." in text
    assert "**3 codes on the vans shown; 2 need a look.**" in text
    assert "Share 92 % (95 %: 65 to 99 %) · 11 siblings, 12 scans" in text
    labels = [matter.label for matter in at.main.expander]
    assert any("One code looks like low supply voltage" in label for label in labels), labels
    assert any("Keeps showing P0401" in label for label in labels), labels


def test_the_first_page_leads_to_the_code(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    _with_findings(own_fleet.home)
    at = open_page(own_fleet.home, "look", monkeypatch)
    text = read_page(at)
    assert "Odds ratio 12 (95 %: 2.1 to 88)" in text
    for matter in at.main.expander:
        at.session_state[str(matter.key)] = True
    at.run()
    links = [
        parse_qs(link.proto.query_string) for link in at.main.get("page_link") if link.proto.page == "codes"
    ]
    assert {tuple(query["code"]) for query in links} == {("P0401, engine",), ("51207, body",)}


def test_hostile_texts_of_readers_are_shown_letter_by_letter(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "codes", monkeypatch, code="U0100, brakes")
    assert not at.exception
    for element in [*at.markdown, *at.caption, *at.header, *at.info]:
        for raw in ("<b>", "](http", "http://"):
            assert raw not in element.value
    assert "<b>[text](http://evil.example)</b>" in read_page(at)


# ---- charts


def _shares(opened: Warehouse, chosen: Code | None = None) -> Any:
    return code_shares.draw_shares(codes.list_code_cohorts(opened, _names(opened)), chosen, PRINT)


def _strips(opened: Warehouse, code: Code, theme: Any = PRINT) -> Any:
    asked = (opened, code.module, code.code, _names(opened))
    vans, scans = codes.list_code_vans(*asked), codes.list_code_scans(*asked)
    return code_strips.draw_strips(code, vans, scans, codes.list_code_clears(*asked), theme)


def test_golden_shares(opened: Warehouse) -> None:
    golden.compare("code_shares", _shares(opened, NUMBER))


def test_golden_strips(opened: Warehouse) -> None:
    golden.compare("code_strips", _strips(opened, FLOW))


def test_golden_van_codes(opened: Warehouse) -> None:
    van = str(
        opened.connection.cursor()
        .execute("select min(van) from code_scans where code = 'P0401'")
        .fetchall()[0][0]
    )
    scans, clears = ask_vans.list_van_code_scans(opened, van), ask_vans.list_van_clears(opened, van)
    golden.compare("van_codes", van_codes.draw_van_codes(van, scans, clears, PRINT))


def test_golden_returns(opened: Warehouse) -> None:
    returns = codes.list_code_returns(opened, FLOW.module, FLOW.code)
    golden.compare("code_returns", code_returns.draw_returns(FLOW, returns, "days", PRINT))


def test_shares_are_drawn_with_their_interval_and_n(opened: Warehouse) -> None:
    rows = _shares(opened, NUMBER).data["rows"]
    row = rows.filter(pl.col("label") == "51207, body · Tarnwell Bracken 22 2.2D 2014").row(0, named=True)
    # 6 of 12 by statsmodels' proportion_confint(6, 12, method="wilson")
    assert (row["at"], row["from"], row["to"]) == pytest.approx((50.0, 25.3782, 74.6218), abs=1e-4)
    assert row["figure"] == "6 of 12 vans"
    assert set(rows.filter(pl.col("weight") == "bold")["cell"]) == {"body/51207"}


def test_every_answer_has_a_shape_of_its_own(opened: Warehouse) -> None:
    assert len(set(ANSWER_SHAPES.values())) == len(ANSWER_SHAPES)
    chart = _strips(opened, NUMBER, DARK)
    assert set(chart.data["scans"]["word"]) == {w for k, w in ANSWER_WORDS.items() if k != "low_voltage"}
    assert "too soon after clearing" in " ".join(chart.data["scans"]["said"])
    storm = _strips(opened, Code("brakes", "U0100", "", "standard"))
    assert storm.data["scans"]["word"].to_list().count(ANSWER_WORDS["low_voltage"]) == 1


def test_strips_tell_the_steadiest_van_first_and_its_clearings(opened: Warehouse) -> None:
    chart = _strips(opened, FLOW)
    labels = chart.data["labels"]
    assert labels["name"][0] == "Van 047 · Tarnwell Bracken 22 2.2D 2014"
    assert labels["figure"][0] == "11 of 12 later scans (65 to 99 %)"
    shown = set(
        codes.list_code_scans(opened, "engine", "P0401", _names(opened)).filter(
            pl.col("standing") == "present"
        )["van"]
    )
    assert set(chart.data["scans"]["van"]) == shown


def test_returns_step_down_at_each_return_and_stay_where_nobody_came_back(opened: Warehouse) -> None:
    returns = codes.list_code_returns(opened, "engine", "P0401")
    steps = code_returns.draw_returns(FLOW, returns, "days", PRINT).data["steps"]
    assert steps["share"][0] == 100.0
    assert steps["share"].is_sorted(descending=True)
    # 17, 24, (24), 38, 45, (45): product limit by hand, censored vans leaving after the returns of their day
    assert np.allclose(
        steps["share"].to_numpy()[1:5],
        [100 * 5 / 6, 100 * 5 / 6 * 4 / 5, 100 * 2 / 3 * 2 / 3, 100 * 4 / 9 / 2],
    )
    assert code_returns.is_worth_a_curve(returns)
    assert not code_returns.is_worth_a_curve(returns.head(3))
    few = code_returns.say_returns(returns.head(3))
    assert few.startswith("It came back on 2 of 3 vans after the first clearing: van ")
    assert "not within 24 days" in few
    assert code_returns.say_returns(returns.head(0)).startswith("It was never cleared")


def test_kilometres_leave_out_vans_without_an_odometer(opened: Warehouse) -> None:
    returns = codes.list_code_returns(opened, "engine", "P0401")
    blind = returns.with_columns(km=pl.when(pl.col("van") == returns["van"][0]).then(None).otherwise("km"))
    assert code_returns.fit_returns(blind, "km").n == returns.height - 1


def test_words_of_shares() -> None:
    row = {
        "n_vans": 10,
        "n_vans_with": 8,
        "n_vans_unknown": 1,
        "share": 0.8,
        "share_low": 0.4902,
        "share_high": 0.9433,
    }
    assert say_share(row) == "8 of 10 vans, 80 % (49 to 94)"
    assert say_share(row | {"n_vans": 0, "n_vans_unknown": 3}) == "no van could be asked; 3 vans not known"
    assert say_steadiness({"n_later_covered": 0}) == "no later scan can tell"
    assert Code("", "\u202e4711", "", "number").short == "4711, module not named"


# ---- files


def _pdf_text(path: Path) -> str:
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


def test_a_picture_of_all_codes_and_of_one(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "codes.pdf"
    chart_file(fleet.home, "codes", Asked(), out)
    text = _pdf_text(out)
    for part in (
        "How common each code is, group by group",
        "Vans shown: all vans.",
        "95 % interval",
        CAVEAT,
        "Data to 30 Sep 2026",
    ):
        assert part in text
    chart_file(fleet.home, "codes", Asked(code="p0401"), out)
    text = _pdf_text(out)
    for part in (
        "P0401, engine: exhaust gas recirculation flow too low, van by van",
        "1 of 12 vans",
        "It came back on 4 of 6 vans",
        CAVEAT,
    ):
        assert part in text
    chart_file(fleet.home, "codes", Asked(van="047", code="P0401"), out)
    assert "Vans shown: van 047. 1 van, 13 scans." in _pdf_text(out)


@pytest.mark.parametrize(("code", "says"), [("P0410", "P0401"), ("\u202e<x>", "page Codes")])
def test_an_unknown_code_names_the_nearest(fleet: Fleet, tmp_path: Path, code: str, says: str) -> None:
    with pytest.raises(KinbayError) as caught:
        chart_file(fleet.home, "codes", Asked(code=code), tmp_path / "a.png")
    assert says in str(caught.value)
    assert not (tmp_path / "a.png").exists()


def test_the_command_draws_a_code(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "code.svg"
    done = CliRunner().invoke(
        app, ["chart", "codes", "--code", "51207", "--out", str(out), "--home", str(fleet.home)]
    )
    assert done.exit_code == 0, done.output
    assert "51207, body" in out.read_text(encoding="utf-8")


def test_hostile_vans_travel_in_pictures_as_letters(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "code.svg"
    chart_file(fleet.home, "codes", Asked(van=HOSTILE_VAN, code=code_fleet.NUMBER[1]), out)
    assert "<img" not in out.read_text(encoding="utf-8")
