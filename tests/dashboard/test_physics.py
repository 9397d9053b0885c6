"""Whether a reading can be right: what is said of siblings, physics, limits and units, and cells nobody decodes."""

from __future__ import annotations

import json
import math
from typing import Any

import polars as pl
import pytest
from scipy import stats

from dashboard.charts.physics_words import conclude, gather, say_expected, say_limit, say_siblings, say_van
from dashboard.charts.words import Reading
from dashboard.questions import fleet, physics, siblings, vans
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import open_warehouse
from pipeline.settings import Home
from tests.dashboard import fleet as invented
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page, read_page

AIR = Reading("air_mass_per_stroke", "warm_idle", "Air mass", "warm idle", "mg/stroke", 0)
TITLE = "Air mass per stroke, measured, warm idle"
RAIL = Reading("rail_pressure", "warm_idle", "Rail pressure", "warm idle", "MPa", 1)


def _group(
    shares: list[float],
    measured: float = 480.0,
    relation: str = "ratio",
    bounds: tuple[float, float] = (0.43, 1.13),
) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "van": [f"{n:03d}" for n in range(len(shares))],
            "cohort_id": "c",
            "cohort": "Tarnwell Bracken 22 2.2D 2017",
            "relation": relation,
            "expected_by": "expected",
            "measured": [measured * s / shares[0] for s in shares],
            "expected": measured / shares[0],
            "departure": shares,
            "low": bounds[0],
            "high": bounds[1],
            "is_plausible": [bounds[0] <= s <= bounds[1] for s in shares],
            "n_scans": 10,
            "says": "what the cylinders hold",
            "engine_speed_rpm": 800.0,
            "cylinders": 4.0,
        }
    )


def _limit(**more: Any) -> dict[str, Any]:
    return {"reader": "Bench reader", "low": 210.0, "high": 320.0, "n_vans": 12, "n_vans_outside": 12, "n_above": 12,
            "n_below": 0} | more  # fmt: skip


def test_the_share_has_an_interval_over_vans() -> None:
    """Student's t over the vans (Student 1908): mean and standard error of the vans' shares, n - 1 degrees of freedom."""
    shares = [0.70, 0.72, 0.74, 0.71, 0.73]
    found = gather(_group(shares))
    expected = stats.t.interval(0.95, 4, loc=0.72, scale=stats.sem(shares))
    assert (found.low, found.high) == pytest.approx(expected)
    assert math.isnan(gather(_group([0.7])).low)


def test_all_vans_outside_the_limit_ends_in_siblings_physics_and_what_is_doubted() -> None:
    group = gather(_group([0.70, 0.72, 0.74, 0.71, 0.73, 0.72, 0.72, 0.71, 0.72, 0.73, 0.72, 0.71]))
    assert say_limit(_limit(), AIR) == (
        "Every one of 12 vans stands above Bench reader's limit (210 to 320 mg/stroke)."
    )
    assert say_siblings(group, AIR).startswith("Siblings agree within ")
    assert "expected 686 mg/stroke, by what the cylinders hold" in say_expected(group, AIR)
    assert "72 % (71 to 73) of it, 12 vans, 120 scans; plausible is 43 to 113 %" in say_expected(group, AIR)
    assert conclude(group, AIR, _limit()) == (
        "So the limit, its unit or its state is doubted, or a real cause is common to all. It is not one van."
    )


def test_a_ratio_of_units_is_named() -> None:
    """480 mg a stroke at 800 rpm on four cylinders: 480 x 4 x 800 / 120,000 = 12.8 g/s, or 46.08 kg/h (arithmetic)."""
    group = gather(_group([0.72] * 5))
    in_g_s = _limit(low=11.8, high=13.8)
    assert "the ratio of mg/stroke and g/s at 800 rpm" in conclude(group, AIR, in_g_s)
    in_kg_h = _limit(low=42.0, high=50.0)
    assert "the ratio of mg/stroke and kg/h at 800 rpm" in conclude(group, AIR, in_kg_h)


def test_a_limit_for_recirculation_at_work_is_told_from_the_fill() -> None:
    """Closed valve: the cylinders fill to 0.96 x 0.88 = 0.84 of what they hold; the limit's middle is 1.6 times lower."""
    group = gather(_group([0.96] * 6, measured=500.0))
    assert "recirculation was closed when they were read" in conclude(
        group, AIR, _limit(low=285.0, high=345.0)
    )


def test_an_implausible_group_puts_the_reading_itself_in_doubt() -> None:
    group = gather(_group([1.6] * 6, bounds=(0.9, 1.1)))
    assert conclude(group, RAIL, None).startswith("So the reading itself is doubted first")
    assert conclude(gather(_group([1.0] * 6, bounds=(0.9, 1.1))), RAIL, None) == (
        "Nothing here speaks against the readings."
    )


def test_one_implausible_van_among_plausible_siblings_is_named() -> None:
    rows = _group([0.72, 0.71, 0.73, 0.72, 0.30])
    group = gather(rows)
    own = rows.row(4, named=True)
    assert "Look at this van's sensor, or at a fault of its own." in say_van(own, group, AIR)
    assert say_van(rows.row(0, named=True), group, AIR).endswith("plausible.")


# ---- the pages


def test_compare_one_reading_says_whether_it_can_be_right(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = invented.build_tables()
    cohort = tables["vans"].filter(pl.col("van") == "061")["cohort_id"][0]
    limit = pl.DataFrame(
        [{"cohort_id": cohort, "parameter": "air_mass_per_stroke", "state": "warm_idle", "reader": "Blue handheld",
          "source": "row", "low": 150.0, "high": 300.0, "n_vans": 9, "n_vans_outside": 9, "n_above": 9, "n_below": 0,
          "n_scans": 90}]
    )  # fmt: skip
    tables["limit_shares"] = pl.concat([tables["limit_shares"], limit], how="diagonal_relaxed")
    invented.publish(own_fleet.home, build=2, tables=tables)
    text = read_page(open_page(own_fleet.home, "reading", monkeypatch, reading=TITLE))
    assert "Can it be right?" in text
    assert "Every one of 9 vans stands above Blue handheld's limit (150 to 300 mg/stroke)." in text
    assert "Siblings agree within" in text
    assert "So the limit, its unit or its state is doubted" in text
    assert "2 other groups: plausible" in text
    one = read_page(open_page(own_fleet.home, "reading", monkeypatch, reading=TITLE, reading_van="044"))
    assert "Van 044: 36 % of what is expected" in one
    assert "not plausible, while its siblings are" in one


def test_a_reading_that_physics_says_nothing_of_stays_quiet(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = read_page(
        open_page(fleet.home, "reading", monkeypatch, reading="Engine coolant temperature, warm idle")
    )
    assert "Can it be right?" not in text


def test_one_van_lists_what_physics_expects(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "van", monkeypatch, van="044")
    assert "1 of 1 readings that physics expects something of lies outside" in read_page(at)
    table = next(f.value for f in at.dataframe if "is_right" in f.value)
    assert table["is_right"].tolist() == ["■ not plausible"]
    assert table["siblings"].tolist() == ["72 %; 11 of 12 plausible"]


# ---- readings that no reader of the van decodes


def test_a_reading_the_reader_does_not_decode_is_not_judged_and_says_so(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = open_warehouse(Home(fleet.home))
    cells = vans.list_van_cells(opened, "045")
    own = cells.filter(pl.col("parameter") == "oil_temp").row(0, named=True)
    assert (own["verdict"], own["value"], own["unit"]) == ("not_judged", None, "°C")
    assert own["reason"] == "not decoded by Yard tablet, the only reader of this van in that state"
    at = open_page(fleet.home, "van", monkeypatch, van="045")
    assert "1 more could not be judged" in read_page(at)
    assert any("not decoded by Yard tablet" in str(f.value.values.tolist()) for f in at.dataframe)


def test_one_value_on_every_van_takes_the_place_of_a_comparison(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = invented.build_tables()
    said = "not decoded by Yard tablet, which shows one and the same value on every van"
    tables["unseen_readings"] = tables["unseen_readings"].with_columns(
        pl.lit("rail_pressure").alias("parameter"),
        pl.lit(True).alias("is_one_value"),
        pl.lit(said).alias("reason"),
    )
    invented.publish(own_fleet.home, build=2, tables=tables)
    opened = open_warehouse(Home(own_fleet.home))
    mine = vans.list_van_cells(opened, "045").filter(
        (pl.col("parameter") == "rail_pressure") & (pl.col("channel") == "level")
    )
    assert mine["reason"].to_list() == [said]
    names = fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list()
    asked = (opened, "rail_pressure", "warm_idle", "level", names)
    assert siblings.list_unseen_cells(*asked)["van"].to_list() == ["045"]
    at = open_page(
        own_fleet.home, "reading", monkeypatch, reading="Rail pressure, warm idle", reading_van="045"
    )
    assert f"Van 045 is not judged here: {said}." in read_page(at)
    assert not at.exception


def test_the_command_says_it_too(own_fleet: Fleet) -> None:
    from typer.testing import CliRunner

    from pipeline.cli import app

    run = CliRunner().invoke(app, ["van", "045", "--home", str(own_fleet.home), "--format", "json"])
    assert run.exit_code == 0, run.output
    cells = {(c["parameter"], c["channel"]): c for c in json.loads(run.output)["cells"]}
    assert cells["oil_temp", "level"]["verdict"] == "not_judged"
    assert "not decoded by Yard tablet" in cells["oil_temp", "level"]["reason"]
    text = CliRunner().invoke(app, ["van", "045", "--home", str(own_fleet.home)]).output
    assert "not judged: not decoded by Yard tablet" in text


def test_physics_asks_nothing_of_vans_that_are_not_shown(fleet: Fleet) -> None:
    opened = open_warehouse(Home(fleet.home))
    rows = physics.list_expected_vans(opened, "air_mass_per_stroke", "warm_idle", ["081"])
    assert rows["cohort"].unique().to_list() == ["Ostrey Pell 3.0D 2018"]
    assert rows.height == 3
