"""A page for a manager made of titled lists and charts: one A4 page as PDF, or a self-contained HTML file."""

from __future__ import annotations

from dataclasses import dataclass, field

from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT
from dashboard.exports.document import write_box, write_figure, write_html, write_line, write_list, write_pdf
from dashboard.exports.sheet import A4, Sheet
from pipeline.counted import count_of

_FOOT = 84.0
_SIZES = (1.25, 1.15, 1.05, 1.0)
"""How large letters may be, largest first; the first that leaves nothing out is taken, else the last."""
_MOST_CHART = 330.0
"""Height of a chart in points that leaves half a page to words."""


@dataclass(frozen=True)
class Section:
    """A titled list; `more` lines were left out before, and are counted.

    Parameters
    ----------
    title : str
        What the lines are.
    lines : tuple of str
        One sentence each, with its n.
    more : int
        How many further lines there are.
    """

    title: str
    lines: tuple[str, ...]
    more: int = 0

    @classmethod
    def first(cls, title: str, lines: list[str], most: int) -> Section:
        """Keep the first `most` lines and count the rest."""
        return cls(title, tuple(lines[:most]), max(0, len(lines) - most))


@dataclass(frozen=True)
class Report:
    """What a page says, before it is laid out.

    Parameters
    ----------
    title, facts : str
        What it is about.
    lead : tuple of str
        What matters most, in one or two sentences.
    sections : tuple of Section
        Empty ones are left out.
    chart : Chart, optional
        Drawn under the lead.
    key : str
        How to read the chart.
    foot : tuple of str
        How to read the rest, data date and build.
    """

    title: str
    facts: str
    lead: tuple[str, ...]
    sections: tuple[Section, ...]
    chart: Chart | None = None
    key: str = ""
    foot: tuple[str, ...] = field(default=())


def lay_out(report: Report) -> str:
    """Return the A4 page as SVG, in letters as large as it holds; lines that do not fit are counted."""
    sections = [section for section in report.sections if section.lines]
    floor = A4[1] - _FOOT
    for size in _SIZES:
        sheet = _lay_head(report, size)
        if sheet.y + sum(_height_of(section, size) for section in sections) <= floor:
            break
    for section in _shorten(sections, floor - sheet.y, size):
        _lay_section(sheet, section, size, floor)
    sheet.y = floor
    sheet.rule(gap=4)
    for line in report.foot:
        sheet.write(line, size=8, colour=PRINT.faint, gap=0)
    sheet.write(CAVEAT, size=9, bold=True)
    return sheet.as_svg(height=A4[1], title=report.title)


def _lay_head(report: Report, size: float) -> Sheet:
    """Start the page: its title, what matters most, and the chart."""
    sheet = Sheet(width=A4[0])
    sheet.write(report.title, size=20, bold=True, gap=3)
    sheet.write(report.facts, size=9.5, colour=PRINT.faint, gap=6)
    lead = [(line, (10.5 if number else 12) * size, not number) for number, line in enumerate(report.lead)]
    sheet.box(lead, gap=6)
    if report.chart is not None:
        sheet.chart(report.chart, scale=min(0.95, 0.78 * size), most_height=_MOST_CHART)
        sheet.write(report.key, size=8.5, colour=PRINT.faint, gap=5)
    return sheet


def _shorten(sections: list[Section], room: float, size: float) -> list[Section]:
    """Take lines off the longest section, one by one, until all sections fit in `room`."""
    kept = list(sections)
    heights = [_height_of(section, size) for section in kept]
    while sum(heights) > room and any(len(section.lines) > 1 for section in kept):
        at = max(range(len(kept)), key=lambda n: len(kept[n].lines))
        kept[at] = Section(kept[at].title, kept[at].lines[:-1], kept[at].more + 1)
        heights[at] = _height_of(kept[at], size)
    return kept


def _height_of(section: Section, size: float) -> float:
    """Return how high a section is, in points."""
    trial = Sheet(width=A4[0])
    _lay_section(trial, section, size)
    return trial.y - trial.margin


def _lay_section(sheet: Sheet, section: Section, size: float, floor: float | None = None) -> None:
    """Write a section; nothing of it stands below `floor`."""
    sheet.write(section.title, size=12 * size, bold=True, gap=2, floor=floor)
    for line in section.lines:
        sheet.write(f"• {line}", size=9.5 * size, indent=8, gap=2, floor=floor)
    if section.more:
        told = f"{section.title}: {count_of(section.more, 'more line')} on the dashboard."
        sheet.write(told, size=8.5, colour=PRINT.faint, gap=2, floor=floor)
    sheet.y += 3


def print_pdf(report: Report) -> bytes:
    """Return the page as PDF."""
    return write_pdf(report.title, [lay_out(report)])


def _write_section(section: Section) -> str:
    more = f"{count_of(section.more, 'more line')} on the dashboard."
    return write_list(section.title, section.lines) + (write_line(more, "faint") if section.more else "")


def print_html(report: Report) -> bytes:
    """Return the page as one HTML file that asks for nothing from anywhere."""
    return write_html(
        report.title,
        [
            write_line(report.facts, "faint"),
            write_box(report.lead),
            write_figure(report.chart, report.key) if report.chart is not None else "",
            *map(_write_section, report.sections),
            write_line(" ".join(report.foot), "faint"),
        ],
    )
