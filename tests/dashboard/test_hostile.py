"""A fleet whose every name, note and code tries something: what leaves the screen shows it as text and runs nothing."""

from __future__ import annotations

import csv
import re
import unicodedata
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest
from typer.testing import CliRunner

from dashboard.cli import app
from dashboard.exports import Asked, chart_file, handout_file
from dashboard.exports.bay_sheet import print_bay_sheet
from dashboard.exports.files import CHARTS
from dashboard.exports.picture import KINDS
from dashboard.parts.page_files import PAGES
from dashboard.parts.screen import file_stem
from dashboard.questions import findings, fleet
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.settings import Home
from tests.dashboard import hostile_fleet
from tests.dashboard.hostile_fleet import BAD, TEXTS
from tests.dashboard.shown import open_page

# Elements and attributes that run or fetch something (HTML Living Standard, SVG 2), of those a picture could hold.
LIVE = {"script", "foreignObject", "image", "img", "a", "iframe", "object", "embed", "link", "use", "animate", "set", "base", "form"}  # fmt: skip
LIVE_MARKDOWN = re.compile(
    r"(?<!\\)(<script>|<img|</svg>|<http://evil|!?\[(free|p)(?<!\\)\]\(|:material/home:)"
)
ADDRESS = ("href", "src", "action", "{http://www.w3.org/1999/xlink}href", "xlink:href")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The hostile fleet, loaded, built and exported, before anything here holds its published file open."""
    home = hostile_fleet.publish(tmp_path_factory.mktemp("hostile"))
    done = CliRunner().invoke(
        app, ["export", str(home.parent / "tables"), "--format", "csv", "--home", str(home)]
    )
    assert done.exit_code == 0, done.output
    return home


@pytest.fixture(scope="module")
def opened(home: Path) -> Warehouse:
    """Its published build."""
    return open_warehouse(Home(home))


def _names(opened: Warehouse) -> list[str]:
    return [str(van) for van in fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list()]


def _squeeze(text: str) -> str:
    """What can be seen, without the spaces that wrapping and extraction move."""
    return "".join(c for c in text if not c.isspace() and unicodedata.category(c) not in ("Cc", "Cf"))


def _assert_still(svg: str) -> str:
    """The drawing is well-formed, holds nothing live, and is returned as the text it shows."""
    told = []
    for element in ET.fromstring(svg).iter():
        assert element.tag.rpartition("}")[2] not in LIVE
        for name, value in element.attrib.items():
            assert not name.rpartition("}")[2].startswith("on")
            assert name not in ADDRESS or value.startswith("#")
        told.append(element.text or "")
    return _squeeze("".join(told))


def _read_pdf(path: Path) -> str:
    """The words of the file, which holds no script, no link and nothing that starts by itself (ISO 32000-1, 12.6)."""
    raw, reader = path.read_bytes(), pypdf.PdfReader(path)
    for name in (b"/JavaScript", b"/JS", b"/OpenAction", b"/URI", b"/Launch", b"/EmbeddedFile"):
        assert name not in raw
    assert reader.metadata is not None
    assert reader.metadata.title
    assert reader.trailer["/Root"]["/Lang"] == "en-GB"  # type: ignore[index]
    return _squeeze("".join(page.extract_text() for page in reader.pages))


class _Page(HTMLParser):
    """What a browser would make of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in LIVE
        for name, value in attrs:
            assert not name.startswith("on")
            assert name not in ADDRESS or (value or "").startswith("#")

    def handle_data(self, data: str) -> None:
        self.text += _squeeze(data)


def _asked(kind: str, van: str) -> Asked:
    if kind == "codes":
        return Asked(van, code="P0128")
    if kind == "repair":
        return Asked(None)
    return Asked(van if kind in ("siblings", "van", "series", "drift", "age", "costs") else None)


@pytest.mark.parametrize("kind", CHARTS)
def test_every_chart_shows_it_as_text(home: Path, tmp_path: Path, kind: str) -> None:
    for suffix in KINDS:
        chart_file(home, kind, _asked(kind, BAD), tmp_path / f"chart.{suffix}")
    shown = _assert_still((tmp_path / "chart.svg").read_text(encoding="utf-8"))
    printed = _read_pdf(tmp_path / "chart.pdf")
    if kind in ("van", "series", "siblings"):
        assert _squeeze(BAD) in shown
        assert _squeeze(BAD) in printed
    assert {path.name for path in tmp_path.iterdir()} == {f"chart.{suffix}" for suffix in KINDS}


@pytest.mark.parametrize("text", TEXTS, ids=range(len(TEXTS)))
def test_every_name_goes_through_picture_page_and_bay_sheet(
    home: Path, opened: Warehouse, tmp_path: Path, text: str
) -> None:
    # loading strips what cannot be seen and the space around a name
    wanted = _squeeze(text)
    van = next(name for name in _names(opened) if _squeeze(name) == wanted)
    chart_file(home, "van", Asked(van), tmp_path / "van.svg")
    _assert_still((tmp_path / "van.svg").read_text(encoding="utf-8"))
    handout_file(home, tmp_path / "van.html", van=van)
    assert wanted[:200] in _Page((tmp_path / "van.html").read_text(encoding="utf-8")).text
    (tmp_path / "bay.pdf").write_bytes(print_bay_sheet(opened, van))
    ascii_start = re.match(r"[\x21-\x7e]*", wanted)
    assert ascii_start is not None
    assert ascii_start.group()[:40] in _read_pdf(tmp_path / "bay.pdf")


def test_every_matter_and_the_month_go_to_paper(home: Path, opened: Warehouse, tmp_path: Path) -> None:
    found = findings.list_findings(opened, _names(opened)).unique("kind", keep="first", maintain_order=True)
    assert {"van_level", "code_persistent", "exposure_effect"} <= set(found["kind"])
    for asked in (*({"finding": str(key)} for key in found["finding_id"]), {"month": "2026-07"}):
        handout_file(home, tmp_path / "page.pdf", **asked)
        _read_pdf(tmp_path / "page.pdf")
        handout_file(home, tmp_path / "page.html", **asked)
        _Page((tmp_path / "page.html").read_text(encoding="utf-8"))


def test_every_table_leaves_without_a_formula(home: Path) -> None:
    out = home.parent / "tables"
    assert sorted(path.name for path in home.parent.iterdir()) == ["files", "home", "tables"]
    n_cells = 0
    for path in out.rglob("*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as lines:
            for row in csv.reader(lines):
                for cell in row:
                    n_cells += 1
                    is_number = re.fullmatch(r"[-+]?(\d[\d.eE+-]*|inf|nan)", cell) is not None
                    assert is_number or not cell.lstrip().startswith(("=", "+", "-", "@", "|", "%"))
                    assert "\x00" not in cell
    assert n_cells > 1000


@pytest.mark.parametrize("text", TEXTS, ids=range(len(TEXTS)))
def test_no_name_leads_a_file_elsewhere(text: str) -> None:
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", file_stem("van", text))
    assert len(file_stem("van", text)) <= 80


@pytest.mark.parametrize("page", [name for name in PAGES if name not in ("add", "enter", "help")])
def test_every_page_stands_and_writes_no_live_markup(
    home: Path, monkeypatch: pytest.MonkeyPatch, page: str
) -> None:
    """A link, a picture or an icon made of data would show unescaped in the Markdown that a page hands over."""
    at = open_page(home, page, monkeypatch, van=BAD, reading_van=BAD, code="P0128", repair_van=BAD)
    assert not at.exception
    written = [*at.markdown, *at.caption, *at.header, *at.title, *at.info, *at.warning, *at.error]
    told = [*(element.value for element in written), *(opened.label for opened in at.expander)]
    for text in told:
        assert not LIVE_MARKDOWN.search(text), text
