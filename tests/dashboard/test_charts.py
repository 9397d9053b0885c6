"""The charts: pure functions from frames to specs, told by shape and word as well as colour."""

from __future__ import annotations

import copy
from typing import Any

import polars as pl
import pytest

from dashboard.charts import last_seen, series, siblings, van
from dashboard.charts.frame import Chart
from dashboard.charts.palette import DARK, LIGHT, PRINT, SHAPES, THEMES, WORDS, Theme
from dashboard.charts.words import Reading
from dashboard.questions import fleet, records, vans
from dashboard.questions import siblings as asked_siblings
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.settings import Home
from tests.dashboard import golden
from tests.dashboard.fleet import HOSTILE_VAN, Fleet

COOLANT = Reading("coolant_temp", "warm_idle", "Engine coolant temperature", "warm idle", "°C", 1)


@pytest.fixture(scope="module")
def opened(fleet: Fleet) -> Warehouse:
    return open_warehouse(Home(fleet.home))


def _strip(opened: Warehouse, chosen: str | None, theme: Theme = PRINT, reading: Reading = COOLANT) -> Chart:
    names = fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list()
    asked = (opened, reading.parameter, reading.state, reading.channel)
    cells = asked_siblings.list_sibling_cells(*asked, names)
    return siblings.draw_siblings(cells, asked_siblings.list_cohort_ranges(*asked), reading, chosen, theme)


def _series(opened: Warehouse, chosen: str) -> Chart:
    scans = vans.list_van_scan_values(opened, chosen, COOLANT.parameter, COOLANT.state)
    months = vans.list_sibling_months(opened, chosen, COOLANT.parameter, COOLANT.state)
    return series.draw_series(chosen, scans, months, vans.list_van_events(opened, chosen), COOLANT, PRINT)


def test_golden_siblings(opened: Warehouse) -> None:
    golden.compare("siblings", _strip(opened, "047"))


def test_golden_van(opened: Warehouse) -> None:
    cells = vans.list_van_cells(opened, "047").filter(pl.col("channel") == "level")
    golden.compare("van", van.draw_van("047", cells, PRINT))


def test_golden_series(opened: Warehouse) -> None:
    golden.compare("series", _series(opened, "047"))


def test_golden_last_seen(opened: Warehouse) -> None:
    names = fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list()
    rows = records.list_last_seen(opened, names, last_seen.RECENT_DAYS)
    golden.compare("last_seen", last_seen.draw_last_seen(rows, "state", PRINT))


def _seen(
    van: str, days: int | None, *, silent: int = 0, retired: bool = False, recent: int = 9
) -> dict[str, Any]:
    return {
        "van": van, "kind": "state" if not silent else "module", "name": "warm_idle" if not silent else "airbag",
        "days": days, "n_scans": 0 if days is None else 3, "n_silent": silent, "is_retired": retired,
        "n_siblings": 10, "n_siblings_recent": recent,
    }  # fmt: skip


def test_what_to_measure_next_is_what_most_siblings_have() -> None:
    rows = pl.DataFrame(
        [
            _seen("a", 91), _seen("b", None), _seen("c", 90), _seen("d", 400, retired=True),
            _seen("e", 300, recent=2), _seen("f", None, silent=4),
        ],
        infer_schema_length=None,
    )  # fmt: skip
    gaps = last_seen.find_gaps(rows)
    assert gaps["van"].to_list() == ["b", "f", "a"]
    said = [last_seen.say_gap(row) for row in gaps.iter_rows(named=True)]
    assert said == [
        "Van b: no warm idle in 90 days (never); 9 of 10 siblings have one. Ask for a scan at warm idle.",
        "Van f: airbag was asked 4 times and never answered. See whether it is fitted.",
        "Van a: no warm idle in 90 days (last 91 days ago); 9 of 10 siblings have one. Ask for a scan at warm idle.",
    ]
    assert [last_seen.class_of(row) for row in rows.iter_rows(named=True)] == [
        "91 to 365 days", "Never", "31 to 90 days", "Over a year ago", "91 to 365 days", "Asked, silent",
    ]  # fmt: skip


@pytest.mark.parametrize("theme", THEMES.values(), ids=list(THEMES))
def test_figures_can_be_read_on_every_tile(theme: Theme) -> None:
    """Text keeps 4.5:1 against every ground it stands on (WCAG 2.2, 1.4.3)."""
    for ground in last_seen.tile_colours(theme):
        assert _contrast(theme.text, ground) >= 4.5


def test_the_chosen_van_is_ringed_named_and_measured_by_its_own_siblings(opened: Warehouse) -> None:
    without, with_van = _strip(opened, None), _strip(opened, "047")
    assert without.data["chosen"].is_empty()
    assert with_van.data["chosen"]["name"].to_list() == ["Van 047"]
    names = fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list()
    own = asked_siblings.list_sibling_cells(opened, *("coolant_temp", "warm_idle", "level"), names).row(
        by_predicate=pl.col("van") == "047", named=True
    )
    band = with_van.data["bands"].filter(pl.col("header").str.contains("Bracken 22 2.2D 2014"))
    assert band.select("low", "median", "high").row(0) == pytest.approx(
        (own["sibling_low"], own["sibling_median"], own["sibling_high"])
    )
    chosen = with_van.data["chosen"].row(0, named=True)
    # the interval of the difference, laid on the value axis
    assert chosen["low"] < own["value"] < chosen["high"]
    assert chosen["high"] - chosen["low"] == pytest.approx(own["interval_high"] - own["interval_low"])
    assert with_van.alt.endswith("Chosen: Van 047 reads below its siblings.")


def test_every_band_says_how_many_vans_and_scans_it_rests_on(opened: Warehouse) -> None:
    headers = _strip(opened, None).data["bands"]["header"].to_list()
    assert len(headers) == 4
    assert all(" vans" in h and " scans" in h for h in headers)


def test_vans_that_are_not_judged_are_crosses_and_their_band_says_why(opened: Warehouse) -> None:
    chart = _strip(opened, None)
    marks = chart.data["vans"].filter(pl.col("van").is_in(["081", "082", "083"]))
    assert set(marks["word"]) == {"Not judged"}
    band = chart.data["bands"].filter(pl.col("header").str.contains("2018")).row(0, named=True)
    assert band["low"] is None
    assert "only 2 siblings" in band["note"]


def _layers(spec: dict[str, Any]) -> list[dict[str, Any]]:
    return list(spec["layer"])


@pytest.mark.parametrize("theme", [LIGHT, DARK, PRINT], ids=lambda t: t.name)
def test_the_legend_always_has_every_verdict_in_shape_colour_and_word(
    opened: Warehouse, theme: Theme
) -> None:
    chart = _strip(opened, None, theme)
    marks = next(layer for layer in _layers(chart.spec) if "shape" in layer["encoding"])
    assert marks["encoding"]["shape"]["scale"]["domain"] == list(WORDS.values())
    assert marks["encoding"]["shape"]["scale"]["range"] == list(SHAPES.values())
    assert chart.spec["config"]["range"]["category"] == list(theme.colours().values())
    assert len(set(SHAPES.values())) == 5


def test_marks_that_would_cover_one_another_are_stacked() -> None:
    assert siblings._dodge([0.0, 0.1, 0.2, 5.0], 1.0) == [0, 6.5, -6.5, 0]


def test_many_cohorts_keep_the_chosen_one_and_those_with_vans_outside() -> None:
    rows = [
        {
            "cohort_id": f"c{n:02d}",
            "cohort": f"c{n:02d}",
            "van": f"v{n}",
            "verdict": "above" if n == 30 else "within",
        }
        for n in range(40)
    ]
    kept = siblings.choose_cohorts(pl.DataFrame(rows), "v25")
    assert len(kept) == siblings.MOST_COHORTS
    assert {"c25", "c30"} <= set(kept)


def test_one_is_the_edge_of_the_siblings_range() -> None:
    """By hand: range 80 to 90, so 95 lies (95 - 85) / 5 = 2 half-ranges out; its interval 93 to 97: 1.6 to 2.4."""
    cells = pl.DataFrame(
        {"value": [95.0, 80.0, 85.0, 1.0], "expected": [85.0, 85.0, 85.0, 1.0], "interval_low": [8.0, -6.0, -1.0, 0.0],
         "interval_high": [12.0, -4.0, 1.0, 0.0], "sibling_low": [80.0, 80.0, 80.0, 1.0],
         "sibling_high": [90.0, 90.0, 90.0, 1.0]}
    )  # fmt: skip
    placed = van.standardise(cells)
    assert placed["at"].to_list() == pytest.approx([2.0, -1.0, 0.0])
    assert placed["from"][0] == pytest.approx(1.6)
    assert placed["to"][0] == pytest.approx(2.4)


def test_a_reading_far_out_is_drawn_at_the_edge_with_an_arrow(opened: Warehouse) -> None:
    cells = vans.list_van_cells(opened, "047").filter(pl.col("channel") == "level")
    rows = van.draw_van("047", cells, PRINT).data["rows"]
    far = rows.filter(pl.col("beyond") != "")
    assert far["at"].to_list() == [-van.FARTHEST]
    assert far["beyond"].to_list() == ["◀"]


def test_a_van_nobody_can_judge_gives_an_empty_chart_not_an_error(opened: Warehouse) -> None:
    chart = van.draw_van("083", vans.list_van_cells(opened, "083"), PRINT)
    assert chart.data["rows"].is_empty()
    assert "none" in chart.alt


def test_series_has_the_work_as_lines_and_none_where_there_is_none(opened: Warehouse) -> None:
    assert _series(opened, "047").data["work"]["what"].to_list() == ["replaced thermostat"]
    bare = _series(opened, "041")
    assert all(layer["data"]["name"] != "work" for layer in _layers(bare.spec))


def test_only_data_height_and_titles_change_between_two_readings(opened: Warehouse) -> None:
    load = Reading("engine_load", "warm_idle", "Engine load", "warm idle", "%", 1)
    specs = [copy.deepcopy(_strip(opened, "047", LIGHT, reading).spec) for reading in (COOLANT, load)]
    for spec in specs:
        for layer in _layers(spec):
            for channel in layer["encoding"].values():
                if isinstance(channel, dict):
                    channel.pop("axis", None)
                    channel.get("scale", {}) and channel["scale"].pop("domain", None)
    assert specs[0] == specs[1]


def test_names_keep_their_letters_and_lose_hidden_characters(opened: Warehouse) -> None:
    chart = _strip(opened, HOSTILE_VAN)
    assert chart.data["chosen"]["name"][0] == f"Van {HOSTILE_VAN}"
    assert "\u202e" not in chart.alt


def _luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition of relative luminance)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_agrees_with_the_ends_of_its_scale() -> None:
    """WCAG 2.2: contrast ratios can range from 1 to 21."""
    assert _contrast("#FFFFFF", "#000000") == pytest.approx(21.0)
    assert _contrast("#777777", "#777777") == pytest.approx(1.0)


@pytest.mark.parametrize("theme", list(THEMES.values()), ids=lambda t: t.name)
def test_text_keeps_4_5_and_marks_keep_3_against_their_ground(theme: Theme) -> None:
    """WCAG 2.2: 1.4.3 asks 4.5:1 of text, 1.4.11 asks 3:1 of marks that carry meaning."""
    for text in (theme.text, theme.faint, theme.chosen):
        assert _contrast(text, theme.ground) >= 4.5
    for mark in (*theme.colours().values(), theme.chosen, theme.edge):
        assert _contrast(mark, theme.ground) >= 3.0
        assert _contrast(mark, theme.band) >= 3.0 or mark == theme.edge
