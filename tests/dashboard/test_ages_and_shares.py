"""Age and mileage, and where differences come from: wording, links, empty states, golden charts."""

from __future__ import annotations

import json
from pathlib import Path

import duckdb
import polars as pl
import pytest

from dashboard.charts.age_words import associate, say_association
from dashboard.charts.ages import draw_ages
from dashboard.charts.palette import PRINT
from dashboard.charts.shares import PARTS, draw_shares
from dashboard.charts.words import Reading
from dashboard.exports.age_pictures import picture_ages
from dashboard.exports.files import CHARTS, Asked
from dashboard.exports.share_pictures import picture_shares
from dashboard.questions import fleet as asked_fleet
from dashboard.questions.ages import AGAINST, Against, list_age_points
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.shares import list_variance_shares
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.dashboard import golden
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page, read_page

COOLANT = Reading("coolant_temp", "warm_idle", "Engine coolant temperature", "warm idle", "°C", 1)
INTAKE = Reading("intake_air_temp", "warm_idle", "Intake air temperature", "warm idle", "°C", 1)


@pytest.fixture(scope="module")
def opened(fleet: Fleet) -> Warehouse:
    return open_warehouse(Home(fleet.home))


def _names(opened: Warehouse) -> list[str]:
    return list(asked_fleet.list_shown_vans(opened, ALL_VANS)["van"])


def _points(
    opened: Warehouse, kind: str = "odometer", dots: str = "van", vans: list[str] | None = None
) -> pl.DataFrame:
    against = Against(kind, *(("intake_air_temp", "warm_idle") if kind == "other" else ("", "")))
    return list_age_points(
        opened, "coolant_temp", "warm_idle", against, dots, _names(opened) if vans is None else vans
    )


def test_golden_age(opened: Warehouse) -> None:
    path = _points(opened, dots="scan", vans=["047"])
    golden.compare("age", draw_ages(_points(opened), path, COOLANT, "odometer", None, "047", PRINT))


def test_golden_shares(opened: Warehouse) -> None:
    golden.compare("shares", draw_shares(list_variance_shares(opened), "warm idle", PRINT))


@pytest.mark.parametrize("kind", AGAINST)
def test_a_van_counts_once_in_dots_and_bins(opened: Warehouse, kind: str) -> None:
    points = _points(opened, kind)
    assert points["van"].n_unique() == points.height > 10
    bins = points.select("bin", "bin_vans", "bin_scans").unique()
    assert bins["bin_vans"].sum() == points.height
    assert bins["bin_scans"].sum() == points["n_scans"].sum()
    chart = draw_ages(points, points.head(0), COOLANT, kind, INTAKE if kind == "other" else None, None, PRINT)
    assert f"{points.height} vans" in chart.alt
    assert {layer["data"]["name"] for layer in chart.spec["layer"]} == {"bins", "dots"}


def test_every_scan_of_a_van_is_on_its_path_and_bins_count_vans(opened: Warehouse) -> None:
    scans = _points(opened, dots="scan")
    levels = opened.connection.cursor().sql(
        "select count(*) from scan_levels where parameter = 'coolant_temp' and state = 'warm_idle'"
    )
    assert scans.height == levels.fetchall()[0][0]
    for row in scans.group_by("bin").agg(pl.col("van").n_unique(), pl.col("bin_vans").first()).iter_rows():
        assert row[1] == row[2]


def test_smoothed_bins_are_those_of_a_second_calculation(opened: Warehouse) -> None:
    """polars on the same points: medians a bin, then a mean over three bins weighted by vans."""
    points = _points(opened)
    bins = (
        points.group_by("bin")
        .agg(pl.col("y").median(), pl.len().alias("n"), pl.col("bin_middle").first())
        .sort("bin")
    )
    y, n = bins["y"].to_list(), bins["n"].to_list()
    for k, found in enumerate(bins["bin_middle"]):
        near = range(max(k - 1, 0), min(k + 2, len(y)))
        assert found == pytest.approx(sum(y[i] * n[i] for i in near) / sum(n[i] for i in near))


def test_association_is_said_with_interval_n_and_without_a_cause(opened: Warehouse) -> None:
    said = say_association(associate(_points(opened)), "odometer")
    for words in ("Among vans of one model year", "rank correlation", "95 % interval", "vans in", "no cause"):
        assert words in said
    few = say_association(associate(_points(opened, vans=_names(opened)[:2])), "age")
    assert few.startswith("Too few vans to tell")


def test_the_age_page_opens_on_what_the_address_says(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "age", monkeypatch, age_van="047", age_against="Age", age_dots="One dot a scan",
               reading=COOLANT.title)  # fmt: skip
    assert not at.exception
    text = read_page(at)
    assert "Age and model year go together" in text
    assert "A difference is a reason to look, not a diagnosis." in text
    assert at.selectbox(key="age_van").value == "047"


def test_another_reading_is_asked_for_and_a_stray_one_is_named(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "age", monkeypatch, age_against="Another reading", reading=COOLANT.title)
    assert "Choose the other reading." in read_page(at)
    at = open_page(
        fleet.home, "age", monkeypatch, age_against="Another reading", age_other="Phlogiston, warm idle"
    )
    assert "No van of this fleet was ever read for “Phlogiston, warm idle”" in read_page(at)
    assert not at.exception


def test_the_shares_page_says_one_reading_in_words(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "shares", monkeypatch, shares_reading=COOLANT.title)
    assert not at.exception
    text = read_page(at)
    assert (
        "65 % of its differences because vans of one year differ from each other, and stay so (31 vans"
        in text
    )
    assert "Van: 65 % (95 % interval 52 to 80 %); standard deviation 1.6 °C" in text
    assert "Parking and fittings: not told, one reader only" in text
    assert "How to read it." in text


def test_shares_name_a_stray_state_and_say_when_there_are_none(
    fleet: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "shares", monkeypatch, shares_state="in orbit")
    assert "No reading was shared out in the state “in orbit”" in read_page(at)
    empty = Home(tmp_path).ensure()
    source = Home(fleet.home)
    published = json.loads((source.warehouse / "current.json").read_text("utf-8"))["file"]
    for name in ("current.json", published):
        (empty.warehouse / name).write_bytes((source.warehouse / name).read_bytes())
    with duckdb.connect(str(empty.warehouse / published)) as connection:
        connection.execute("delete from variance_shares")
    at = open_page(tmp_path, "shares", monkeypatch)
    assert "Nothing is shared out yet" in read_page(at)
    assert not at.exception


def test_every_piece_of_a_bar_is_told_by_word(opened: Warehouse) -> None:
    bars = draw_shares(list_variance_shares(opened), "warm idle", PRINT).data["bars"]
    assert set(bars["part"]) == set(PARTS.values())
    assert all(part in said for part, said in bars.select("part", "said").iter_rows())
    assert bars["reading"][0] == bars.filter(part="Van").sort("end")["reading"][-1]
    whole = bars.group_by("reading").agg((pl.col("end") - pl.col("start")).sum())
    assert whole["end"].to_list() == pytest.approx([1.0, 1.0])


def test_the_readers_share_stands_beside_every_bar_in_figures(opened: Warehouse) -> None:
    shares = list_variance_shares(opened)
    told = draw_shares(shares, "warm idle", PRINT).data["readers"]
    assert set(told["reading"]) == set(draw_shares(shares, "warm idle", PRINT).data["bars"]["reading"])
    first = shares.filter(pl.col("part") == "reader").row(0, named=True)
    figure = "–" if first["share"] is None else f"{100 * first['share']:.0f} %"
    assert told["figure"][0] == figure


def test_pictures_carry_their_words_and_refuse_what_is_not_there(opened: Warehouse) -> None:
    _, caption = picture_ages(opened, COOLANT, Against("age"), None, "van", "047", ALL_VANS)
    assert "Age and model year go together" in caption.finding
    assert caption.n_vans > 10
    with pytest.raises(KinbayError, match="No van that matches the filters"):
        picture_ages(opened, COOLANT, Against("age"), None, "van", None, Filters(depots=("nowhere",)))
    assert picture_shares(opened, "warm_idle")[1].n_vans == 31
    with pytest.raises(KinbayError, match="shared out"):
        picture_shares(opened, "in_orbit")


@pytest.mark.parametrize(
    ("against", "other", "dots", "title"),
    [
        ("age", None, "van", "against age"),
        ("date", None, "scan", "against date"),
        ("odometer", None, "van", "against kilometres"),
        ("other", "intake_air_temp", "van", "against intake air temperature, warm idle"),
        ("odometer", "intake_air_temp", "scan", "against intake air temperature, warm idle"),
    ],
)
def test_the_command_draws_a_reading_against_whatever_is_named(
    opened: Warehouse, against: str, other: str | None, dots: str, title: str
) -> None:
    asked = Asked(parameter="coolant_temp", state="warm_idle", against=against, other=other, dots=dots)
    _, caption = CHARTS["age"](opened, asked)
    assert caption.title == f"{COOLANT.title} {title}"


def test_another_reading_must_be_named(opened: Warehouse) -> None:
    with pytest.raises(KinbayError, match="The other reading is not named"):
        CHARTS["age"](opened, Asked(parameter="coolant_temp", state="warm_idle", against="other"))
