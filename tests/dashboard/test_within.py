"""Reader and day filters, and the comparison within them: siblings whole unless asked, never a finding."""

from __future__ import annotations

import datetime as dt
import io

import numpy as np
import polars as pl
import pypdf
import pytest
from scipy import stats
from streamlit.testing.v1 import AppTest

from dashboard.exports.picture import draw_picture
from dashboard.exports.reading_pictures import find_reading, picture_siblings
from dashboard.questions import fleet as asking
from dashboard.questions import records, within
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.warehouse import open_warehouse
from pipeline.compare.score import Rules
from pipeline.settings import Home
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page

COOLANT = ("coolant_temp", "warm_idle")


def _levels(values: list[float], n_scans: int = 5) -> pl.DataFrame:
    return pl.DataFrame(
        {"van": [f"{n}" for n in range(len(values))], "cohort_id": "a", "cohort": "A", "depot": "D", "value": values,
         "s2": 0.0, "n_scans": n_scans, "first_seen": dt.datetime(2026, 1, 1), "last_seen": dt.datetime(2026, 2, 1)}
    )  # fmt: skip


def test_a_van_is_scored_against_the_others_itself_left_out() -> None:
    """Against the t test of one new value (Crawford and Howell 1998), worked here with scipy's t distribution."""
    values = [80.0, 81.0, 82.0, 83.0, 84.0, 85.0, 86.5]
    scored = within.score_within(_levels(values), "°C", None, Rules())
    others = np.array(values[:-1])
    last = scored.row(-1, named=True)
    assert last["n_siblings"] == 6
    assert last["expected"] == pytest.approx(others.mean())
    assert last["sibling_median"] == pytest.approx(np.median(others))
    half = stats.t.isf(0.025, 5) * others.std(ddof=1) * np.sqrt(1 + 1 / 6)
    assert last["sibling_high"] - last["sibling_low"] >= 1.9 * half
    assert set(scored["verdict"]) == {"within"}


def test_below_three_siblings_there_is_no_score_and_the_reason_is_told() -> None:
    scored = within.score_within(_levels([80.0, 81.0, 99.0]), "°C", None, Rules())
    assert set(scored["verdict"]) == {"not_judged"}
    assert all("2 siblings" in reason for reason in scored["reason"])


def test_no_finding_comes_of_looking_within() -> None:
    scored = within.score_within(_levels([80.0, 80.2, 80.1, 79.9, 80.3, 79.8, 140.0]), "°C", None, Rules())
    assert scored.row(-1, named=True)["verdict"] == "borderline"
    assert not set(scored["verdict"]) & {"above", "below"}
    assert set(scored["q"]) == {None}


def test_levels_hold_the_chosen_readers_and_days_alone(fleet: Fleet) -> None:
    warehouse = open_warehouse(Home(fleet.home))
    days = (dt.date(2026, 3, 1), dt.date(2026, 8, 31))
    chosen = Filters(readers=("Yard tablet",), days=days)
    names = asking.list_shown_vans(warehouse, chosen)["van"].to_list()
    levels = within.list_within_levels(warehouse, *COOLANT, names, chosen)
    scans = warehouse.connection.cursor().execute(
        "select van, count(*) from scan_levels where parameter = 'coolant_temp' and state = 'warm_idle'"
        " and reader = 'Yard tablet' and scanned_at >= '2026-03-01' and scanned_at < '2026-09-01' group by van"
    )
    assert dict(levels.select("van", "n_scans").iter_rows()) == dict(scans.fetchall())
    whole = within.list_within_levels(warehouse, *COOLANT, names, ALL_VANS)
    assert whole["n_scans"].sum() > levels["n_scans"].sum()


def test_a_reader_and_days_choose_vans_and_scans(fleet: Fleet) -> None:
    warehouse = open_warehouse(Home(fleet.home))
    late = Filters(days=(dt.date(2026, 9, 30), dt.date(2026, 9, 30)))
    assert asking.list_shown_vans(warehouse, late).is_empty()
    chosen = Filters(readers=("Blue handheld",))
    names = asking.list_shown_vans(warehouse, chosen)["van"].to_list()
    assert set(records.list_scans(warehouse, names, chosen)["reader"]) == {"Blue handheld"}
    assert chosen.describe() == "read by Blue handheld"
    assert late.describe() == "scanned 30 Sep 2026 to 30 Sep 2026"


def test_siblings_stay_whole_unless_asked_and_the_page_says_which(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    def open_with(**query: str) -> AppTest:
        given = {
            "reading_van": "047",
            "reading": "Engine coolant temperature, warm idle",
            "depot": "Mill Lane",
        }
        return open_page(fleet.home, "reading", monkeypatch, **(given | query))

    whole = open_with(reader="Yard tablet", from_day="2026-03-01")
    assert not whole.exception
    assert not [w for w in whole.warning if "within the filter" in w.value]
    assert any("11 siblings" in m.value for m in whole.markdown)
    narrowed = open_with(reader="Yard tablet", from_day="2026-03-01", within="true")
    assert not narrowed.exception
    said = next(w.value for w in narrowed.warning)
    assert "no finding comes of this" in said
    assert "read by Yard tablet" in said.replace("\\", "")
    assert any("5 siblings" in m.value for m in narrowed.markdown)


def test_a_picture_saved_while_comparing_within_the_filter_is_that_of_the_screen(fleet: Fleet) -> None:
    warehouse = open_warehouse(Home(fleet.home))
    chosen = Filters(depots=("Mill Lane",), is_within=True)
    reading = find_reading(warehouse, *COOLANT)
    names = asking.list_shown_vans(warehouse, chosen)["van"].to_list()
    shown = within.compare(warehouse, (*COOLANT, "level"), names, chosen, reading.unit, Rules())
    chart, caption = picture_siblings(warehouse, reading, "047", chosen, shown)
    whole, told = picture_siblings(warehouse, reading, "047", chosen)
    assert any(not chart.data[name].equals(whole.data[name]) for name in chart.data)
    assert "within the filter" in caption.title
    assert caption.key.startswith(within.LABEL)
    assert "within the filter" not in told.title + told.key
    n = shown.cells.filter(pl.col("van") == "047")["n_siblings"].item()
    assert f"{n} siblings" in caption.finding
    assert f"{n} siblings" not in told.finding
    text = pypdf.PdfReader(io.BytesIO(draw_picture(chart, caption, "pdf"))).pages[0].extract_text()
    assert "no finding comes of this" in " ".join(text.split())
    assert caption.counts in text


def test_changes_are_never_compared_within_the_filter(fleet: Fleet) -> None:
    warehouse = open_warehouse(Home(fleet.home))
    chosen = Filters(depots=("Mill Lane",), is_within=True)
    names = asking.list_shown_vans(warehouse, chosen)["van"].to_list()
    assert not within.compare(warehouse, (*COOLANT, "change"), names, chosen, "°C", Rules()).is_within
