"""The pages on work and costs, their charts, and what they write to files."""

from __future__ import annotations

import dataclasses
import datetime as dt
import io
import re
from pathlib import Path
from typing import Any

import polars as pl
import pypdf
import pytest

from dashboard.charts import costs as cost_chart
from dashboard.charts.palette import DARK, PRINT, Theme
from dashboard.charts.repairs import GLYPHS, SIDES, WORDS, draw_repair, place_scans, say_verdict
from dashboard.charts.words import CAVEAT, Reading
from dashboard.exports import Asked, chart_file
from dashboard.exports.dossier import KINDS, find_cohort_finding, write_dossier
from dashboard.exports.dossier_print import lay_out, print_html, print_pdf
from dashboard.exports.repair_pictures import find_repair, read_row
from dashboard.questions import costs, findings, repairs, vans
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.dashboard import fleet as invented
from tests.dashboard import golden
from tests.dashboard.fleet import Fleet
from tests.dashboard.repair_fleet import HOSTILE_RIVAL
from tests.dashboard.shown import open_page, read_page


@pytest.fixture(scope="module")
def opened(fleet: Fleet) -> Warehouse:
    return open_warehouse(Home(fleet.home))


def test_the_work_that_did_not_hold_comes_first_with_its_figures(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "repairs", monkeypatch)
    assert not at.exception
    said = read_page(at)
    for words in (
        "still 9.0 °C below", "(difference in differences): +0.4 °C, 95 % interval", "8 scans before, 2 after",
        "11 siblings", "regression to the mean", "Next check.", "came back", CAVEAT,
    ):  # fmt: skip
        assert words in said, words
    assert "▲ Did not hold (2 scans since)" in [h.value.replace("\\", "") for h in at.subheader]
    assert HOSTILE_RIVAL in said  # letter by letter, every mark escaped
    assert not any("<b>" in m.value.replace("\\<", "") for m in at.markdown)


def test_a_link_to_work_that_is_not_there_says_so(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "repairs", monkeypatch, work="01 Jan 1999, van 999: replaced hope")
    assert not at.exception
    assert "there is no work called" in read_page(at)


def test_without_work_both_pages_say_what_to_write_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = invented.build_tables()
    for name in ("work", "repairs", "work_codes", "repair_codes", "van_costs", "van_cost_years"):
        tables[name] = tables[name].clear()
    empty = invented.publish(tmp_path, tables=tables)
    assert "No repair stands in the work list" in read_page(open_page(empty.home, "repairs", monkeypatch))
    assert "No work is on record" in read_page(open_page(empty.home, "costs", monkeypatch))


def test_costs_are_told_beside_siblings_with_what_is_not_recorded(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "costs", monkeypatch, cost_van="047")
    assert not at.exception
    said = read_page(at)
    for words in (
        "cost not recorded on 1 of 4 entries", "900 per 10,000 km", "7 siblings run from 100 to 160, median 130",
        "no interval, fewer than 5 entries with a cost", "Dearer than all siblings", "recorded on 2 of 4 entries",
    ):  # fmt: skip
        assert words in said, words


def test_a_van_without_costs_has_no_figure(opened: Warehouse) -> None:
    rows = costs.list_van_costs(opened, ["047", "044", "045", "046"])
    blank = rows.filter(pl.col("cost_per_10000_km").is_null()).row(0, named=True)
    assert "no entry has a cost" in cost_chart.say_cost(blank)
    assert cost_chart.stands(blank) == "No siblings to compare"
    none = blank | {"n_work": 0}
    assert "Not recorded is not the same as none" in cost_chart.say_cost(none)


def _drawn(opened: Warehouse) -> tuple[dict[str, Any], pl.DataFrame, pl.DataFrame, Reading]:
    row = read_row(find_repair(opened, "047", "coolant_temp", "warm_idle"))
    reading = Reading.from_row(row)
    scans = vans.list_van_scan_values(opened, "047", "coolant_temp", "warm_idle")
    return row, scans, vans.list_sibling_months(opened, "047", "coolant_temp", "warm_idle"), reading


def test_scans_are_told_apart_by_word_and_shape(opened: Warehouse) -> None:
    row, scans, _, reading = _drawn(opened)
    placed = place_scans(scans, row, reading)
    days = placed["at"].dt.date()
    assert set(placed["side"]) <= set(SIDES)
    assert (placed.filter(days < row["own_from"])["side"] == "Not counted").all()
    assert (
        placed.filter(days.is_between(row["own_from"], row["work_day"], closed="left"))["side"] == "Before"
    ).all()
    assert (placed.filter((days > row["work_day"]) & (days <= row["own_to"]))["side"] == "After").all()
    assert set(GLYPHS) == set(WORDS)


@pytest.mark.parametrize("theme", [DARK, PRINT], ids=lambda t: t.name)
def test_the_charts_say_the_same_on_every_machine(opened: Warehouse, theme: Theme) -> None:
    row, scans, months, reading = _drawn(opened)
    golden.compare(f"repair_{theme.name}", draw_repair(row, scans, months, reading, theme))
    rows = costs.list_van_costs(opened, ["040", "041", "042", "043", "044", "047"])
    golden.compare(f"costs_{theme.name}", cost_chart.draw_costs(rows, "047", theme))


@pytest.mark.parametrize("kind", ["repair", "costs"])
@pytest.mark.parametrize(
    ("suffix", "magic"), [("pdf", b"%PDF-"), ("png", b"\x89PNG\r\n\x1a\n"), ("svg", b"<svg ")]
)
def test_charts_as_files(fleet: Fleet, tmp_path: Path, kind: str, suffix: str, magic: bytes) -> None:
    out = tmp_path / f"chart.{suffix}"
    chart_file(fleet.home, kind, Asked("047"), out)
    assert out.read_bytes().startswith(magic)
    if suffix == "pdf":
        text = " ".join(" ".join(p.extract_text() for p in pypdf.PdfReader(out).pages).split())
        assert "Van" in text
        assert "Data to 30 Sep 2026" in text
        assert CAVEAT in text


def test_a_chart_of_work_that_is_not_there_is_refused(fleet: Fleet, tmp_path: Path) -> None:
    with pytest.raises(KinbayError, match="No work on record touches"):
        chart_file(fleet.home, "repair", Asked("047", "rail_pressure"), tmp_path / "x.png")


def test_questions_keep_to_the_vans_shown(opened: Warehouse) -> None:
    assert repairs.list_repairs(opened, ["044"]).is_empty()  # only cleared
    rows = repairs.list_repairs(opened, ["047"])
    assert rows["verdict"].to_list() == ["not_held"]
    assert repairs.list_repair_codes(opened, ["044"]).is_empty()
    assert repairs.list_repair_codes(opened, ["047"]).height == 1


def _of_a_group(opened: Warehouse) -> str:
    found = findings.list_findings(opened, vans_of(opened))
    return str(found.filter(pl.col("kind").is_in(KINDS))["finding_id"][0])


def vans_of(opened: Warehouse) -> list[str]:
    return [str(row[0]) for row in opened.connection.cursor().sql("select van from vans").fetchall()]


def test_a_dossier_lists_every_van_of_the_group(opened: Warehouse, tmp_path: Path) -> None:
    finding_id = _of_a_group(opened)
    row = find_cohort_finding(opened, finding_id)
    dossier = write_dossier(opened, finding_id)
    group = opened.connection.cursor().execute(
        "select count(*) from vans where make = $1 and model = $2 and model_year is not distinct from $3",
        [row["make"], row["model"], row["model_year"]],
    ).fetchone()  # fmt: skip
    assert group is not None
    assert len(dossier.rows) == group[0] > 2
    out = tmp_path / "dossier.pdf"
    out.write_bytes(print_pdf(dossier))
    assert out.read_bytes().startswith(b"%PDF-")
    text = " ".join(" ".join(p.extract_text() for p in pypdf.PdfReader(out).pages).split())
    for words in (dossier.rows[0][0], "Chassis number", "not a sample of all vans", finding_id, CAVEAT):
        assert words in text, words
    html = print_html(dossier).decode()
    assert "default-src 'none'" in html
    assert re.search(r"<(a|img|script|link|iframe)\b", html) is None


def test_a_long_dossier_is_pages_of_a4_with_every_van_once(opened: Warehouse) -> None:
    dossier = write_dossier(opened, _of_a_group(opened))
    assert dossier.chart is not None
    rows = [[f"L{n:03d}", *dossier.rows[0][1:]] for n in range(130)]
    pages = pypdf.PdfReader(io.BytesIO(print_pdf(dataclasses.replace(dossier, rows=rows)))).pages
    assert len(pages) == len(lay_out(dataclasses.replace(dossier, rows=rows))) > 2
    for number, page in enumerate(pages, 1):
        assert [round(float(edge)) for edge in (page.mediabox.width, page.mediabox.height)] == [595, 842]
        text = " ".join(page.extract_text().split())
        assert f"Page {number} of {len(pages)}" in text
        assert ("Chassis number" in text) == ("L0" in text or "L1" in text)
    whole = " ".join(page.extract_text() for page in pages)
    assert [whole.count(row[0]) for row in rows] == [1] * 130


def test_a_dossier_on_one_van_or_on_nothing_is_refused(opened: Warehouse) -> None:
    found = findings.list_findings(opened, vans_of(opened))
    single = str(found.filter(pl.col("kind") == "van_level")["finding_id"][0])
    with pytest.raises(KinbayError, match="not about a whole group"):
        write_dossier(opened, single)
    with pytest.raises(KinbayError, match="There is no finding"):
        write_dossier(opened, "nothing")


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"verdict": "too_early", "n_after": 1, "n_needed": 2}, "✚ Too early (1 of 2 scans)"),
        ({"verdict": "held", "n_after": 1, "n_needed": 2}, "● Held (1 scan since)"),
        ({"verdict": "not_held", "n_after": 5, "n_needed": 2, "is_by_code": True}, "▲ Did not hold"),
        ({"verdict": "no_reading", "n_after": None, "n_needed": None}, "– No reading to judge by"),
    ],
)
def test_a_verdict_says_how_many_scans_stand_behind_it(row: dict[str, Any], said: str) -> None:
    assert say_verdict(row) == said


def test_a_window_says_its_days() -> None:
    row = {"van": "1", "n_work": 2, "n_costed": 2, "cost": 10.0, "km": None, "window_from": dt.date(2026, 1, 1), "window_to": dt.date(2026, 9, 30)}  # fmt: skip
    said = cost_chart.say_cost(row)
    assert "01 Jan 2026 to 30 Sep 2026" in said
    assert "No distance" in said


def test_a_dear_van_is_told_where_its_cost_lies_and_what_is_not_known() -> None:
    row = {"cost_per_10000_km": 900.0, "sibling_median": 130.0, "sibling_low": 100.0, "sibling_high": 160.0}
    job = {"what": "replaced", "part": "turbo", "worked_at": dt.datetime(2026, 4, 12)}
    entries = [job | {"cost": 750.0}, job | {"cost": 250.0, "part": "tyres"}, job | {"cost": None}]
    said = cost_chart.say_next(row, entries)
    assert said.startswith(
        "Find out what the other entry cost. Look at the dearest entry first: replaced turbo on"
    )
    assert "12 Apr 2026, 750, 75 % of what is written down." in said
    assert "by cost alone" in cost_chart.say_next(row | {"cost_per_10000_km": 150.0}, entries)
    assert cost_chart.say_next(row, entries[2:]).startswith("Write down what each job cost")
