"""The list of what needs a look as a page: counted, with checks and cautions, hostile names as text."""

from __future__ import annotations

import io

import pytest
from pypdf import PdfReader

from dashboard.exports.look_list import MOST_ON_A4, group_matters, write_look
from dashboard.exports.report import print_html, print_pdf
from dashboard.questions import findings, fleet
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.settings import Home
from tests.dashboard.fleet import HOSTILE_VAN, Fleet
from tests.dashboard.shown import open_page


@pytest.fixture(scope="module")
def opened(fleet: Fleet) -> Warehouse:
    return open_warehouse(Home(fleet.home))


def _rows(opened: Warehouse) -> list[dict[str, object]]:
    names = fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list()
    return findings.list_findings(opened, names).to_dicts()


def test_a_page_has_the_first_subjects_in_full_and_names_the_rest(opened: Warehouse) -> None:
    rows, build = _rows(opened), fleet.describe_build(opened).row(0, named=True)
    subjects = list(group_matters(rows))
    report = write_look(rows, build, "all vans")
    assert len(subjects) > MOST_ON_A4
    assert [s.title.split(" · ")[0] for s in report.sections[:-1]] == subjects[:MOST_ON_A4]
    assert report.sections[-1].lines[0].startswith(f"{len(subjects) - MOST_ON_A4} subject")
    pages = PdfReader(io.BytesIO(print_pdf(report))).pages
    assert len(pages) == 1
    text = " ".join(pages[0].extract_text().split())
    for part in (
        "What needs a look",
        "stand out",
        "comparisons were made",
        "Next check:",
        "Caution:",
        "not a diagnosis",
    ):
        assert part in text


def test_every_subject_with_a_dangerous_check_keeps_its_caution(opened: Warehouse) -> None:
    rows, build = _rows(opened), fleet.describe_build(opened).row(0, named=True)
    report = write_look(rows, build, "all vans", None)
    for section, own in zip(report.sections, group_matters(rows).values(), strict=False):
        has = any(row["cautions"] for row in own)
        assert section.lines[0].startswith("Caution: ") == has
        assert len(section.lines) == len(own) + has


def test_a_hostile_name_is_text_on_the_page(opened: Warehouse) -> None:
    build = fleet.describe_build(opened).row(0, named=True)
    row = {**_rows(opened)[0], "van": HOSTILE_VAN, "kind": "van_level", "code": None}
    said = print_html(write_look([row], build, HOSTILE_VAN, None)).decode()
    assert "<img" not in said
    assert "<script" not in said
    assert "&lt;" in said


def test_the_first_page_offers_it(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "look", monkeypatch)
    labels = [button.proto.label for button in at.main.get("download_button")]
    assert {"To print (PDF)", "To open anywhere (HTML)", "Save these rows (CSV)"} <= set(labels)
