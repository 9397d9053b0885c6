"""The questions: read-only, hardened, one cursor a call, filters that leave the siblings whole."""

from __future__ import annotations

import ast
import datetime as dt
import json
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from dashboard.questions import findings, fleet, records, siblings, vans, warehouse
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.warehouse import NothingBuiltError, Warehouse, open_warehouse
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.dashboard import fleet as invented
from tests.dashboard.fleet import HOSTILE_VAN, Fleet
from tests.patience import PATIENCE_S

FOLDER = Path(warehouse.__file__).parent
COOLANT = ("coolant_temp", "warm_idle")


@pytest.fixture(scope="module")
def opened(fleet: Fleet) -> Warehouse:
    return open_warehouse(Home(fleet.home))


def _names(opened: Warehouse, filters: Filters) -> list[str]:
    return fleet.list_shown_vans(opened, filters)["van"].to_list()


def test_every_question_is_one_function_and_one_sql_file_of_the_same_name() -> None:
    functions = {
        node.name
        for path in FOLDER.glob("*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith(("list_", "describe_"))
    }
    assert functions == {path.stem for path in FOLDER.glob("*.sql")}


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.sql")), ids=lambda p: p.stem)
def test_every_sql_file_says_its_grain_first(path: Path) -> None:
    assert path.read_text(encoding="utf-8").startswith("-- One row")


@pytest.mark.parametrize(
    ("filters", "expected"),
    [
        (ALL_VANS, 31),
        (Filters(models=("Ostrey Pell",)), 10),
        (Filters(models=("Ostrey Pell",), model_years=(2018,)), 3),
        (Filters(model_years=(2014, 2016)), 21),
        (Filters(depots=("Harbour Road",), model_years=(2014,)), 6),
        (Filters(exposures=("parking: shaded",), model_years=(2018,)), 1),
        (Filters(exposures=("parking: shaded", "parking: open")), 31),
        (Filters(exposures=("parking: shaded", "wings: two")), 0),
        (Filters(models=("'; drop table vans; --",)), 0),
    ],
)
def test_filters_choose_the_vans_shown(opened: Warehouse, filters: Filters, expected: int) -> None:
    assert len(_names(opened, filters)) == expected


def test_a_van_of_unknown_mileage_is_left_out_only_where_mileage_is_asked_for(opened: Warehouse) -> None:
    assert "083" in _names(opened, Filters(model_years=(2018,)))
    assert "083" not in _names(opened, Filters(model_years=(2018,), odometer_km=(0, 1e7)))


def test_age_ends_are_included(opened: Warehouse) -> None:
    ages = fleet.list_shown_vans(opened, ALL_VANS).select("van", "age_years")
    low, high = 10.0, 12.0
    expected = {van for van, age in ages.iter_rows() if low <= age <= high}
    assert set(_names(opened, Filters(age_years=(low, high)))) == expected
    assert 0 < len(expected) < 31


def test_filters_never_touch_the_siblings(opened: Warehouse) -> None:
    alone = siblings.list_sibling_cells(opened, *COOLANT, "level", ["047"])
    everyone = siblings.list_sibling_cells(opened, *COOLANT, "level", _names(opened, ALL_VANS))
    assert alone.row(0) == everyone.filter(pl.col("van") == "047").row(0)
    assert alone["n_siblings"][0] == 11


def test_filters_say_themselves_in_words() -> None:
    assert ALL_VANS.describe() == "all vans"
    told = Filters(
        ("Ostrey Pell",), (2015,), ("Mill Lane",), ("parking: open",), (3, 9), (0, 250_000)
    ).describe()
    assert told == "Ostrey Pell; 2015; Mill Lane; parking: open; age 3 to 9 years; 0 to 250,000 km"


@pytest.mark.parametrize(
    "attempt",
    [
        "select * from read_csv('/etc/hostname')",
        "select * from read_text('/etc/hostname')",
        "attach '/tmp/other.duckdb' as other",
        "copy vans to '/tmp/vans.csv'",
        "create table stolen as select 1",
        "delete from vans",
        "set enable_external_access = true",
        "install httpfs",
        "select * from hidden_frame",
    ],
)
def test_the_warehouse_refuses_everything_but_reading(opened: Warehouse, attempt: str) -> None:
    hidden_frame = pl.DataFrame({"secret": [1]})
    with pytest.raises(duckdb.Error):
        opened.connection.cursor().execute(attempt).fetchall()
    assert hidden_frame.height == 1


def test_a_slow_question_is_stopped(opened: Warehouse, monkeypatch: pytest.MonkeyPatch) -> None:
    slow = "select count(*) as n from range(100000000) a, range(100000) b where a.range % 7 = b.range % 11"
    monkeypatch.setattr(warehouse, "QUESTION_SECONDS", 0.3)
    monkeypatch.setattr(warehouse, "read_sql", lambda _: slow)
    with pytest.raises(KinbayError, match="stopped"):
        opened.ask("slow")


def test_eight_threads_get_the_answers_one_gets(opened: Warehouse) -> None:
    names = _names(opened, ALL_VANS)
    expected = {van: vans.list_van_cells(opened, van).rows() for van in names[:8]}
    barrier = threading.Barrier(8)

    def ask(van: str) -> bool:
        barrier.wait(timeout=PATIENCE_S)
        return all(vans.list_van_cells(opened, van).rows() == expected[van] for _ in range(5))

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(ask, names[:8]))


def test_a_newer_build_is_taken_up(own_fleet: Fleet) -> None:
    home = Home(own_fleet.home)
    first = open_warehouse(home)
    assert open_warehouse(home).connection is first.connection
    tables = invented.build_tables()
    tables["vans"] = tables["vans"].filter(pl.col("van") != "041")
    invented.publish(own_fleet.home, build=2, tables=tables)
    second = open_warehouse(home)
    assert second.build_id != first.build_id
    assert fleet.list_shown_vans(second, ALL_VANS).height == 30


def test_nothing_built_says_what_to_run(tmp_path: Path) -> None:
    with pytest.raises(NothingBuiltError, match="kinbay load"):
        open_warehouse(Home(tmp_path))


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", "{nonsense", json.dumps({"file": "x.duckdb", "build_id": "b"})]
)
def test_a_damaged_pointer_is_told_with_its_remedy(tmp_path: Path, text: str) -> None:
    (tmp_path / "warehouse").mkdir()
    (tmp_path / "warehouse" / "current.json").write_text(text)
    with pytest.raises(KinbayError, match="kinbay build"):
        open_warehouse(Home(tmp_path))


def test_a_pointer_cannot_lead_out_of_the_warehouse(own_fleet: Fleet) -> None:
    pointer = own_fleet.home / "warehouse" / "current.json"
    pointer.write_text(json.dumps({"file": "../../elsewhere.duckdb", "build_id": "b"}))
    with pytest.raises(KinbayError, match="outside"):
        open_warehouse(Home(own_fleet.home))


def test_the_siblings_band_leaves_the_van_out_and_agrees_with_numpy(opened: Warehouse) -> None:
    months = vans.list_sibling_months(opened, "047", *COOLANT)
    levels = invented.build_tables()["scan_levels"].filter(
        (pl.col("parameter") == COOLANT[0])
        & (pl.col("state") == COOLANT[1])
        & (pl.col("cohort_id") == "Tarnwell|Bracken 22|2.2D|2014")
        & (pl.col("van") != "047")
    )
    row = months.row(5, named=True)
    values = levels.filter(pl.col("scanned_at").dt.truncate("1mo") == row["month_at"])["value"].to_numpy()
    # numpy's default quantile (linear, Hyndman and Fan type 7) is the one quantile_cont uses.
    assert [row["low"], row["middle"], row["high"]] == pytest.approx(np.quantile(values, [0.05, 0.5, 0.95]))
    assert row["n_scans"] == len(values)


def test_sparklines_run_in_order_of_time(opened: Warehouse) -> None:
    line = siblings.list_sparklines(opened, *COOLANT, ["047"])["scan_values"][0].to_list()
    scans = vans.list_van_scan_values(opened, "047", *COOLANT)["value"].to_list()
    assert line == scans[-len(line) :]
    assert 1 < len(line) <= 30


def test_findings_follow_the_vans_shown_and_their_groups(opened: Warehouse) -> None:
    everyone = findings.list_findings(opened, _names(opened, ALL_VANS))
    assert everyone["rank"].is_sorted()
    pell = findings.list_findings(opened, _names(opened, Filters(models=("Ostrey Pell",))))
    assert set(pell["van"].drop_nulls()) <= {f"0{n}" for n in (71, 72, 73, 74, 75, 76, 77, 81, 82, 83)}
    assert "code_fleetwide" not in pell["kind"].to_list()  # a Tarnwell group
    assert "reader_bias" in pell["kind"].to_list()  # readers concern every van
    assert "code_fleetwide" in findings.list_findings(opened, [HOSTILE_VAN])["kind"].to_list()


def test_a_caution_given_by_its_id_comes_as_its_text(own_fleet: Fleet) -> None:
    tables = invented.build_tables()
    tables["findings"] = tables["findings"].with_columns(
        pl.lit('["SC06", "Mind the step."]').alias("cautions")
    )
    invented.publish(own_fleet.home, build=2, tables=tables)
    lines = findings.list_findings(open_warehouse(Home(own_fleet.home)), ["047"])["cautions"][0].to_list()
    assert lines[0].startswith("Charging gives hydrogen")
    assert lines[1] == "Mind the step."


def test_a_van_without_scans_is_listed_first_as_unseen(own_fleet: Fleet) -> None:
    tables = invented.build_tables()
    tables["coverage"] = tables["coverage"].filter(pl.col("van") != "061")
    invented.publish(own_fleet.home, build=2, tables=tables)
    listed = records.list_coverage(open_warehouse(Home(own_fleet.home)), ["047", "061"])
    assert listed["van"].to_list() == ["061", "047"]
    assert listed["n_scans"][0] == 0


def test_an_unknown_van_has_no_rows(opened: Warehouse) -> None:
    assert vans.describe_van(opened, "nobody").is_empty()
    assert vans.list_van_cells(opened, "nobody").is_empty()
    assert vans.list_van_codes(opened, "nobody").is_empty()
    assert vans.list_van_events(opened, "nobody").is_empty()


def test_last_seen_counts_by_hand(tmp_path: Path) -> None:
    """Days, scans and silent modules of one van, counted from the tables the build published."""
    tables = invented.build_tables()
    days = [invented.DATA_TO - dt.timedelta(days=n) for n in (100, 40, 3)]
    modules = pl.DataFrame(
        [
            {
                "scan_key": f"m{n}",
                "van": "047",
                "scanned_at": at,
                "reader": "R",
                "module": "airbag",
                "answered": n != 2,
            }
            for n, at in enumerate(days)
        ]
    )
    own = invented.publish(tmp_path, tables={**tables, "scan_modules": modules})
    opened = open_warehouse(Home(own.home))
    rows = records.list_last_seen(opened, _names(opened, ALL_VANS), 90)
    assert rows.select("van", "kind", "name").is_duplicated().sum() == 0
    levels = tables["scan_levels"].filter((pl.col("van") == "047") & (pl.col("state") == "warm_idle"))
    found = rows.filter((pl.col("van") == "047") & (pl.col("name") == "warm_idle")).row(0, named=True)
    assert found["n_scans"] == levels["scan_key"].n_unique()
    assert found["last_at"] == levels["scanned_at"].max()
    assert found["days"] == (invented.DATA_TO.date() - found["last_at"].date()).days
    airbag = rows.filter(pl.col("name") == "airbag")
    told = airbag.filter(pl.col("van") == "047").row(0, named=True)
    assert (told["n_scans"], told["n_silent"], told["days"], told["n_siblings_recent"]) == (2, 1, 40, 0)
    other = airbag.filter((pl.col("cohort_id") == told["cohort_id"]) & (pl.col("van") != "047"))
    assert (other["days"].null_count(), set(other["n_siblings_recent"])) == (other.height, {1})
