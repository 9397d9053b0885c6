"""What leaves the dashboard: pictures that carry their own caption, rows no spreadsheet runs, one-page handouts."""

from __future__ import annotations

import csv
import io
import re
import struct
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.charts.frame import Chart
from dashboard.charts.words import CAVEAT
from dashboard.exports import Asked, chart_file, handout_file
from dashboard.exports.brief import write_brief
from dashboard.exports.files import CHARTS
from dashboard.exports.handout import lay_out
from dashboard.exports.sheet import measure, render_chart, shorten, wrap
from dashboard.exports.table import defuse, write_csv
from dashboard.questions.filters import Filters
from dashboard.questions.warehouse import open_warehouse
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.dashboard.fleet import HOSTILE_VAN, Fleet

COOLANT = ("coolant_temp", "warm_idle")
# ISO 32000-1 7.5.2, PNG (W3C) 5.2, XML: how each kind of file begins.
MAGIC = {"pdf": b"%PDF-", "png": b"\x89PNG\r\n\x1a\n", "svg": b"<svg "}


def _pdf_text(path: Path) -> str:
    return " ".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


@pytest.mark.parametrize("kind", ["siblings", "van", "series"])
@pytest.mark.parametrize("suffix", ["pdf", "png", "svg"])
def test_every_chart_as_every_kind_of_file(fleet: Fleet, tmp_path: Path, kind: str, suffix: str) -> None:
    out = tmp_path / f"chart.{suffix}"
    state = None if kind == "van" else COOLANT[1]
    chart_file(fleet.home, kind, Asked("047", COOLANT[0], state), out)
    assert out.read_bytes().startswith(MAGIC[suffix])
    if suffix == "png":
        width, height = struct.unpack(">II", out.read_bytes()[16:24])  # PNG (W3C) 11.2.2 IHDR
        assert width == 1440
        assert height > 400


def test_a_picture_carries_title_filters_counts_date_and_caveat(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "chart.pdf"
    filters = Filters(models=("Tarnwell Bracken 22",), age_years=(5, 15))
    chart_file(fleet.home, "siblings", Asked("047", *COOLANT, filters=filters), out)
    text = " ".join(_pdf_text(out).split())
    for part in (
        "Engine coolant temperature, warm idle: vans compared with their siblings",
        "Vans shown: Tarnwell Bracken 22; age 5 to 15 years.",
        "21 vans, 292 scans.",
        "Data to 30 Sep 2026, build b0000001.",
        "Van 047 reads below its siblings.",
        "95 % interval",
        "11 siblings",
        CAVEAT,
    ):
        assert part in text


def test_without_parameter_the_reading_most_vans_are_judged_on_is_drawn(fleet: Fleet, tmp_path: Path) -> None:
    chart_file(fleet.home, "siblings", Asked(), tmp_path / "chart.svg")
    assert "vans compared" in (tmp_path / "chart.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("kind", "van", "parameter", "state", "name", "says"),
    [
        ("siblings", "047", "coolant_tmp", None, "a.png", "coolant_temp"),
        ("siblings", "047", "coolant_temp", "overrun", "a.png", "steady_cruise, warm_idle"),
        ("siblings", "O47", "coolant_temp", None, "a.png", "047"),
        ("van", None, None, None, "a.png", "--van"),
        ("siblings", None, None, None, "a.gif", ".png"),
    ],
)
def test_a_wrong_wish_is_answered_with_what_would_do(
    fleet: Fleet,
    tmp_path: Path,
    kind: str,
    van: str | None,
    parameter: str | None,
    state: str | None,
    name: str,
    says: str,
) -> None:
    with pytest.raises(KinbayError) as caught:
        chart_file(fleet.home, kind, Asked(van, parameter, state), tmp_path / name)
    assert says in str(caught.value)
    assert not (tmp_path / name).exists()


def test_filters_that_leave_nothing_are_told(fleet: Fleet, tmp_path: Path) -> None:
    with pytest.raises(KinbayError, match="Widen"):
        chart_file(
            fleet.home,
            "siblings",
            Asked(None, *COOLANT, filters=Filters(depots=("nowhere",))),
            tmp_path / "a.png",
        )


def test_drawing_asks_nothing_of_any_other_machine() -> None:
    """A spec that names an address is refused instead of fetched."""
    spec = {"$schema": "x", "data": {"url": "http://127.0.0.1:9/data.json"}, "mark": "point", "encoding": {}}
    with pytest.raises(ValueError, match=r"(?i)url"):
        render_chart(Chart(spec, {}, "a chart"), 100)


@pytest.mark.parametrize("van", ["047", HOSTILE_VAN, "083", "041"])
def test_a_handout_is_one_a4_page(fleet: Fleet, tmp_path: Path, van: str) -> None:
    out = tmp_path / "handout.pdf"
    handout_file(fleet.home, out, van=van)
    pages = pypdf.PdfReader(out).pages
    assert len(pages) == 1
    # ISO 216: A4 is 210 x 297 mm, 595 x 842 points of 1/72 inch.
    assert [round(float(v)) for v in pages[0].mediabox[2:]] == [595, 842]
    text = " ".join(pages[0].extract_text().split())
    assert CAVEAT in text
    assert "Data to 30 Sep 2026" in text
    assert "siblings" in text


def test_a_handout_says_what_a_manager_needs(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "handout.pdf"
    handout_file(fleet.home, out, van="047")
    text = " ".join(_pdf_text(out).split())
    for part in (
        "Van 047 against its siblings",
        "Tarnwell Bracken 22 2.2D 2014",
        "13 scans",
        "11 siblings",
        "2 of 22 comparisons stand out",
        "Next check:",
        "Could also be:",
        "Hot coolant is under pressure",
        "replaced thermostat",
    ):
        assert part in text


@pytest.mark.parametrize("words", [1, 40, 400])
def test_long_words_never_run_into_the_foot_and_cautions_stay(fleet: Fleet, words: int) -> None:
    brief = write_brief(open_warehouse(Home(fleet.home)), "047")
    long = {
        "claim": "Stands apart " * min(words, 40),
        "rivals": ["another cause " * words] * 3,
        "next_check": "measure again " * words,
        "tier": "finding",
    }
    page = lay_out(
        replace(brief, matters=[long] * 3, codes=["P0401 " * words] * 9, events=["oil " * words] * 9)
    )
    written = re.findall(r'<text x="[\d.]+" y="([\d.]+)" font-size="([\d.]+)"', page)
    rule = max(float(y) for y in re.findall(r'<line x1="40.0" x2="555.0" y1="([\d.]+)"', page))
    below = [size for y, size in written if float(y) > rule]
    assert set(below) == {"8", "9"}  # the foot's own sizes
    assert max(float(y) for y, _ in written) < 842
    if words < 400:
        assert "Hot coolant is under pressure" in page


def test_a_van_nobody_can_judge_is_not_called_healthy(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "handout.pdf"
    handout_file(fleet.home, out, van="083")
    text = _pdf_text(out)
    assert "Nothing can be said yet" in text
    assert "stand out" not in text
    assert "Nothing stands out" not in text


def test_a_van_of_which_nothing_stands_out_is_told_what_comes_next(fleet: Fleet) -> None:
    warehouse = open_warehouse(Home(fleet.home))
    quiet, loud, alone = (write_brief(warehouse, van) for van in ("045", "047", "083"))
    assert quiet.wait.startswith("Nothing stands out")
    assert "What to do next" in lay_out(quiet)
    assert "What to do next" not in lay_out(loud)
    assert not loud.wait
    assert "Nothing stands out" not in alone.wait


@pytest.mark.parametrize("kind", ["siblings", "age", "costs", "exposure", "readers", "shares", "codes"])
def test_a_chart_of_many_says_what_it_shows(fleet: Fleet, kind: str) -> None:
    """A manager gets the picture alone: it carries a sentence beside its title, without a van named too."""
    _, caption = CHARTS[kind](open_warehouse(Home(fleet.home)), Asked())
    assert caption.finding.endswith(".")
    assert re.search(r"\d|None|No van|Too few", caption.finding)


class _Reader(HTMLParser):
    """Collects elements and attributes of a page as a browser would see them."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.addresses += [v or "" for k, v in attrs if k in ("href", "src", "xlink:href", "action")]
        assert not any(k.startswith("on") for k, _ in attrs)


@pytest.mark.parametrize("van", ["047", HOSTILE_VAN])
def test_an_html_handout_holds_everything_and_runs_nothing(fleet: Fleet, tmp_path: Path, van: str) -> None:
    out = tmp_path / "handout.html"
    handout_file(fleet.home, out, van=van)
    reader = _Reader()
    reader.feed(out.read_text(encoding="utf-8"))
    assert "svg" in reader.elements
    assert not {"script", "img", "iframe", "link", "object"} & set(reader.elements)
    assert [a for a in reader.addresses if not a.startswith("#")] == []
    assert CAVEAT in out.read_text(encoding="utf-8")


@pytest.mark.parametrize("start", list("=+-@|%\t\r\n"))
def test_a_text_that_starts_like_a_formula_is_defused(start: str) -> None:
    """The characters of the OWASP page "CSV Injection", and two of older spreadsheet programs."""
    assert defuse(f"{start}1+2").startswith("'")
    assert defuse(f"  {start}1+2").startswith("'") or start in "\t\r\n"


def _read(rows: pl.DataFrame) -> list[list[str]]:
    return list(csv.reader(io.StringIO(write_csv(rows).decode("utf-8-sig"))))


def test_numbers_stay_numbers_and_texts_stay_readable() -> None:
    rows = pl.DataFrame(
        {"van": ["041", "=1+2", None], "difference": [-10.3, 2.0, None], "many": [["=a", "b"], [], None],
         "=head": ["a\nb", "x\u202ey", 'q"q']}
    )  # fmt: skip
    assert _read(rows) == [
        ["van", "difference", "many", "'=head"],
        ["041", "-10.3", "'=a;b", "a b"],
        ["'=1+2", "2.0", "", "xy"],
        ["", "", "", 'q"q'],
    ]


@given(st.text(max_size=40))
def test_no_text_becomes_a_formula(text: str) -> None:
    cell = _read(pl.DataFrame({"text": [text]}, schema={"text": pl.String}))[1:] if text else []
    for (shown,) in (row for row in cell if row):
        assert not shown.lstrip().startswith(("=", "+", "-", "@"))


@given(st.text(alphabet=st.characters(blacklist_categories=("Cs", "Cc")), max_size=200), st.floats(40, 400))
def test_wrapped_lines_fit_and_lose_no_word(text: str, width: float) -> None:
    lines = wrap(text, 10, width)
    assert all(measure(line, 10) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == "".join(text.split())
    assert measure(shorten(text, 10, width), 10) <= width
