"""Pages for a manager about a month and about one finding: what they say, as PDF, as HTML and on screen."""

from __future__ import annotations

import datetime as dt
import struct
from importlib import resources
from pathlib import Path
from typing import cast

import duckdb
import polars as pl
import pypdf
import pytest

from dashboard.charts.matter_words import say_split
from dashboard.charts.words import clean_text
from dashboard.exports import handout_file
from dashboard.exports import month as month_page
from dashboard.exports.bay_sheet import print_bay_sheet
from dashboard.exports.month import read_month, write_month
from dashboard.exports.picture import draw_slide
from dashboard.exports.reading_pictures import find_reading, picture_siblings, picture_van
from dashboard.questions import findings, months
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.fleet import list_shown_vans
from dashboard.questions.warehouse import Warehouse, open_warehouse, read_sql
from pipeline import decisions
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.dashboard.fleet import HOSTILE_VAN, Fleet, build_tables
from tests.dashboard.shown import open_page

JULY = dt.date(2026, 7, 1)


def _first(kind: str = "van_level") -> str:
    found = build_tables()["findings"]
    return str(found.filter(found["kind"] == kind)["finding_id"][0])


def _pdf(path: Path) -> str:
    pages = pypdf.PdfReader(path).pages
    assert len(pages) == 1
    return " ".join(pages[0].extract_text().split())


def test_a_month_says_what_stands_out_what_was_done_and_what_it_cost(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "month.pdf"
    handout_file(fleet.home, out, month="2026-07")
    text = _pdf(out)
    for part in (
        "The fleet in July 2026",
        "No build of July 2026 is kept: this is what the newest build says, with scans to 30 Sep 2026.",
        "chance alone would raise about 0.2",
        "What stands out",
        "Van 047: reads 9.99 °C lower than its 11 siblings (−10.0 °C, −10.3 to −9.7; 13 scans).",
        "Not one van: 7 of 9 vans of this group carry P0401",
        "thermostat replaced",
        "148 in the fleet's currency, from 1 of 2 work records",
        "A check of 5 vans with open matters",
        "data to 30 Sep 2026, build b0000001.",
        "A difference is a reason to look, not a diagnosis.",
    ):
        assert part in text


def test_a_month_without_any_record_says_so_and_claims_nothing(fleet: Fleet) -> None:
    home = Home(fleet.home)
    report = write_month(open_warehouse(home), home, dt.date(2024, 2, 1))
    assert report.sections == ()
    assert report.lead[0] == "Nothing was scanned, done or decided in February 2024, as far as is on record."
    assert "to September 2026" in report.lead[1]


def test_a_month_without_work_says_so_and_claims_no_cost(fleet: Fleet) -> None:
    home = Home(fleet.home)
    report = write_month(open_warehouse(home), home, dt.date(2026, 2, 1))
    lines = {section.title: section.lines for section in report.sections}
    assert lines["What was done, and did it hold"] == ("No work is on record for this month.",)
    assert lines["Cost"] == ("No work is on record for this month, so nothing can be said of its cost.",)


def test_the_first_page_and_the_month_count_the_same_matters(fleet: Fleet) -> None:
    """Counted by hand in the invented findings: 7 that stand out, one of them of a whole group."""
    home = Home(fleet.home)
    report = write_month(open_warehouse(home), home, dt.date(2026, 9, 1))
    split = say_split(build_tables()["findings"].iter_rows(named=True))
    assert split == "7 matters stand out: 6 of single vans (on 5 vans), 1 of many vans at once or of a reader"
    assert report.lead[1].startswith(f"In all, {split}.")
    assert report.lead[0].startswith("5 of 31 vans stand out from their siblings, in 6 matters")


def test_work_is_told_by_its_verdict_the_worst_first(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    day = dt.datetime(2026, 7, 3, 9)
    counts = ("n_not_held", "n_held", "n_no_effect", "n_too_early")
    given = [("thermostat", 2, 3, 0, 1), ("air filter", 0, 2, 1, 0), ("brakes", 0, 0, 0, 0), ("tyres", 0, 0, 0, 0),
             ("tyres", 0, 0, 0, 0), ("hose", 0, 0, 0, 4), ("map sensor", 0, 0, 2, 2)]  # fmt: skip
    work = [
        {
            "happened_at": day,
            "van": "047",
            "what": "replaced",
            "part": part,
            "code": "P0128" if part == "thermostat" else None,
        }
        | dict(zip(counts, n, strict=True))
        for part, *n in given
    ]
    earlier = [
        {
            "worked_at": dt.datetime(2026, 3, 10),
            "van": "044",
            "what": "repaired",
            "part": "valve",
            "n_readings": 1,
        }
    ]
    monkeypatch.setattr(months, "list_month_work", lambda *_: pl.DataFrame(work))
    monkeypatch.setattr(months, "list_month_unheld", lambda *_: pl.DataFrame(earlier))
    home = Home(fleet.home)
    report = write_month(open_warehouse(home), home, JULY)
    assert list({s.title: s.lines for s in report.sections}["What was done, and did it hold"]) == [
        "03 Jul, van 047: thermostat replaced for P0128. Did not hold in 2 readings.",
        "03 Jul, van 047: air filter replaced. Held so far, in 2 readings.",
        "03 Jul, van 047: hose replaced. Too early to say: too few scans since.",
        "03 Jul, van 047: MAP sensor replaced. No effect seen in 2 readings: nothing was off before, or too little moved.",
        "10 Mar 2026, van 044: valve repaired. Did not hold in 1 reading, seen again this month.",
        "Also, with no reading to judge it by or too few scans: tyres replaced (2), brakes replaced.",
    ]


def test_a_past_month_is_told_as_it_was_known_then(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """A build of then that is kept counts, and decisions made later do not."""
    home = Home(fleet.home)
    then = pl.DataFrame(
        [
            {"build_id": "b7", "data_to": dt.datetime(2026, 7, 30), "finding_id": "f1", "kind": "van_level", "tier": "finding",
             "van": "044", "value": 1.0, "difference": 5.0, "unit": "°C", "interval_low": 4.0, "interval_high": 6.0,
             "n_scans": 9, "last_seen": dt.datetime(2026, 7, 29), "claim": "Van 044: coolant is 5 °C above its siblings."}
        ]
    )  # fmt: skip
    monkeypatch.setattr(months, "find_month_findings", lambda *_: then)
    later = dt.datetime(2026, 8, 2)
    made = decisions.Decision("f1", "not_a_fault", later, "A", "B", None, {"tier": "finding"})
    monkeypatch.setattr(month_page, "read_decisions", lambda _: (made,))
    report = write_month(open_warehouse(home), home, JULY)
    assert report.lead[0].endswith("vans stands out from its siblings, in 1 matter; none of these decided.")
    assert report.lead[1].endswith("As it was known then: build b7, data to 30 Jul 2026.")
    lines = {s.title: s.lines for s in report.sections}
    assert lines["What stands out"] == (
        "Van 044: coolant is 5 °C above its siblings (+5.00 °C, +4.00 to +6.00; 9 scans).",
    )


def test_the_build_known_then_is_the_last_of_its_month_or_old_enough() -> None:
    with duckdb.connect() as connection:
        connection.execute(
            resources.files("pipeline.warehouse").joinpath("finding_history_table.sql").read_text("utf-8")
        )
        connection.execute(
            "create table builds as select 'b3' as build_id, timestamp '2026-08-02' as built_at, timestamp '2026-08-01' as data_to"
        )
        for build, built, data_to, finding in (
            ("b1", "2026-07-10", "2026-07-09", "f1"), ("b2", "2026-07-28", "2026-07-27", "f2"), ("b2", "2026-07-28", "2026-07-27", "f3"),
            ("b3", "2026-08-02", "2026-08-01", "f4"),
        ):  # fmt: skip
            connection.execute(
                "insert into finding_history (build_id, built_at, data_to, finding_id) values (?, ?, ?, ?)",
                [build, built, data_to, finding],
            )

        class Asked:
            """Answers from the tables above."""

            def ask(self, name: str, **given: object) -> pl.DataFrame:
                told: pl.DataFrame = connection.sql(read_sql(name), params=given).pl()
                return told

        asked = cast("Warehouse", Asked())
        assert months.find_month_findings(asked, JULY)["finding_id"].to_list() == ["f2", "f3"]
        assert months.find_month_findings(asked, dt.date(2026, 6, 1)).is_empty()
        assert findings.find_past_findings(asked, 0)["finding_id"].to_list() == ["f2", "f3"]
        assert findings.find_past_findings(asked, 20)["finding_id"].to_list() == ["f1"]
        assert findings.find_past_findings(asked, 60).is_empty()


def test_decisions_of_the_month_are_told_and_take_their_matter_off(own_fleet: Fleet) -> None:
    home = Home(own_fleet.home)
    matter = build_tables()["findings"].row(0, named=True)
    at = dt.datetime(2026, 7, 6, 7)
    decisions.decide(home, matter, "not_a_fault", who="A. Reeve", why="Cold store run.", at=at)
    report = write_month(open_warehouse(home), home, JULY)
    lines = {section.title: section.lines for section in report.sections}
    assert "1 of these decided" in report.lead[0]
    assert "06 Jul 2026, A. Reeve: Not a fault. Cold store run." in lines["What was ruled out"][0]
    assert not any(matter["claim"][:30] in line for line in lines["What stands out"])


def test_one_finding_comes_with_its_chart_its_rivals_and_its_cautions(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "finding.html"
    handout_file(fleet.home, out, finding=_first())
    text = out.read_text(encoding="utf-8")
    for part in ("Van 047: one matter", "<svg", "It could also be", "Hot coolant is under pressure", "Content-Security-Policy"):  # fmt: skip
        assert part in text
    assert "http://" not in text.replace("http://www.w3.org", "")
    handout_file(fleet.home, tmp_path / "bias.pdf", finding=_first("reader_bias"))
    assert "Yard tablet reads 1.4 °C above Blue handheld" in _pdf(tmp_path / "bias.pdf")


def test_a_hostile_name_is_text_in_every_page(fleet: Fleet, tmp_path: Path) -> None:
    found = build_tables()["findings"]
    hostile = str(found.filter(found["van"] == HOSTILE_VAN)["finding_id"][0])
    handout_file(fleet.home, tmp_path / "f.html", finding=hostile)
    assert "<img" not in (tmp_path / "f.html").read_text(encoding="utf-8")
    assert print_bay_sheet(open_warehouse(Home(fleet.home)), HOSTILE_VAN).startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({}, "one van, one finding or one month"),
        ({"van": "047", "month": "2026-07"}, "one van, one finding or one month"),
        ({"month": "July"}, "not a month"),
        ({"finding": "f00"}, "no finding 'f00'"),
    ],
)
def test_wrong_requests_are_answered(fleet: Fleet, tmp_path: Path, asked: dict[str, str], said: str) -> None:
    with pytest.raises(KinbayError, match=said):
        handout_file(fleet.home, tmp_path / "x.pdf", **asked)
    assert list(tmp_path.iterdir()) == []


def test_any_chart_comes_in_the_size_of_a_slide(fleet: Fleet) -> None:
    """Width and height as the PNG standard (ISO/IEC 15948) writes them: bytes 16 to 23."""
    warehouse = open_warehouse(Home(fleet.home))
    reading = find_reading(warehouse, "coolant_temp", "warm_idle")
    for chart, caption in (
        picture_van(warehouse, "047", "level", None),
        picture_siblings(warehouse, reading, "047", ALL_VANS),
    ):
        assert struct.unpack(">II", draw_slide(chart, caption)[16:24]) == (1920, 1080)


def test_months_are_read() -> None:
    assert read_month(" 2026-07 ") == JULY


def test_a_bay_sheet_has_checks_cautions_and_blanks_on_one_page(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "bay.pdf"
    out.write_bytes(print_bay_sheet(open_warehouse(Home(fleet.home)), "047"))
    text = _pdf(out)
    for part in ("Bay sheet: van 047", "Cautions", "Hot coolant is under pressure", "Check: Read it again", "Found: ___", "Work done and parts"):  # fmt: skip
        assert part in text


@pytest.mark.parametrize("address", ["2026-07", "July 2026"])
def test_the_page_shows_the_month_in_the_address(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    at = open_page(fleet.home, "month", monkeypatch, month=address)
    assert not at.exception
    assert at.selectbox(key="month").value == "July 2026"
    text = "\n".join(m.value for m in at.markdown).replace("\\", "")
    assert "thermostat replaced" in text


def test_a_month_that_is_not_there_is_told(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "month", monkeypatch, month="2019-01")
    assert not at.exception
    assert "Nothing was scanned or done in a month called" in at.warning[0].value


def test_a_filtered_month_is_about_the_vans_shown_and_the_parts_add_up(fleet: Fleet) -> None:
    opened, home = open_warehouse(Home(fleet.home)), Home(fleet.home)
    depots = ("Mill Lane", "Harbour Road")
    shown = {d: list_shown_vans(opened, Filters(depots=(d,)))["van"].to_list() for d in depots}
    assert shown[depots[0]]
    assert set(shown[depots[0]]).isdisjoint(shown[depots[1]])
    whole = months.describe_month(opened, JULY).row(0, named=True)
    parts = [months.describe_month(opened, JULY, vans).row(0, named=True) for vans in shown.values()]
    for name in ("n_scans", "n_vans", "n_work", "n_costed"):
        assert whole[name] == sum(part[name] for part in parts), name
    assert sorted(months.list_month_work(opened, JULY)["van"]) == sorted(
        van for vans in shown.values() for van in months.list_month_work(opened, JULY, vans)["van"]
    )
    for depot, vans in shown.items():
        report = write_month(opened, home, JULY, Filters(depots=(depot,)))
        assert report.facts.endswith(f"vans shown: {depot}")
        assert f"of {len(vans)} vans stand" in report.lead[0]
        lines = {s.title: s.lines for s in report.sections}
        starts = tuple(f"Van {clean_text(van)}:" for van in vans)
        assert lines["What stands out"]
        assert all(line.startswith(starts) for line in lines["What stands out"])


def test_the_page_of_a_filtered_month_says_which_vans(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "month", monkeypatch, month="2026-07", depot="Mill Lane")
    assert not at.exception
    assert any("Vans shown: Mill Lane" in c.value.replace("\\", "") for c in at.caption)
    assert any("vans shown: Mill Lane" in c.value.replace("\\", "") for c in at.caption)
