"""A page for a manager made of titled lists and charts: one A4 page as PDF, or a self-contained HTML file."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape

from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT, clean_text, count_of
from dashboard.exports.handout import A4, STYLE
from dashboard.exports.sheet import Sheet, convert, render_chart

_FOOT = 78.0


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
    charts : tuple of Chart
        Drawn under the lead.
    foot : tuple of str
        How to read it, data date and build.
    """

    title: str
    facts: str
    lead: tuple[str, ...]
    sections: tuple[Section, ...]
    charts: tuple[Chart, ...] = ()
    foot: tuple[str, ...] = field(default=())


def lay_out(report: Report) -> str:
    """Return the A4 page as SVG; lines that do not fit are counted."""
    sheet, floor = Sheet(width=A4[0]), A4[1] - _FOOT
    sheet.write(report.title, size=20, bold=True, gap=3)
    sheet.write(report.facts, size=9.5, colour=PRINT.faint, gap=6)
    sheet.box([(line, 12 if n == 0 else 10.5, n == 0) for n, line in enumerate(report.lead)], gap=6)
    for chart in report.charts:
        sheet.chart(chart, scale=0.78)
    for section in report.sections:
        _lay_section(sheet, section, floor)
    sheet.y = floor
    sheet.rule(gap=4)
    for line in report.foot:
        sheet.write(line, size=8, colour=PRINT.faint, gap=0)
    sheet.write(CAVEAT, size=9, bold=True)
    return sheet.as_svg(height=A4[1])


def _lay_section(sheet: Sheet, section: Section, floor: float) -> None:
    if not section.lines:
        return
    left = section.more + len(section.lines)
    if sheet.y < floor - 44:
        sheet.write(section.title, size=12, bold=True, gap=2)
        for line in section.lines:
            if sheet.y > floor - 34:
                break
            sheet.write(f"• {line}", size=9.5, indent=8, gap=2)
            left -= 1
    if left:
        sheet.write(f"{section.title}: {count_of(left, 'more line')} on the dashboard.", size=8.5, colour=PRINT.faint, gap=2)  # fmt: skip
    sheet.y += 3


def print_pdf(report: Report) -> bytes:
    """Return the page as PDF."""
    return convert(lay_out(report), "pdf")


def _text(text: object) -> str:
    return escape(clean_text(text))


def _section_html(section: Section) -> str:
    if not section.lines:
        return ""
    items = "".join(f"<li>{_text(line)}</li>" for line in section.lines)
    more = (
        f"<p class='faint'>{count_of(section.more, 'more line')} on the dashboard.</p>"
        if section.more
        else ""
    )
    return f"<h2>{_text(section.title)}</h2><ul>{items}</ul>{more}"


def print_html(report: Report) -> bytes:
    """Return the page as one HTML file that asks for nothing from anywhere."""
    charts = "".join(
        f"<figure role='img' aria-label='{_text(c.alt)}'>{render_chart(c, 640)}</figure>"
        for c in report.charts
    )
    lead = "".join(
        f"<p>{'<strong>' if n == 0 else ''}{_text(line)}{'</strong>' if n == 0 else ''}</p>"
        for n, line in enumerate(report.lead)
    )
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{_text(report.title)}</title>"
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        f"<style>{STYLE}</style></head><body><main><h1>{_text(report.title)}</h1>"
        f"<p class='faint'>{_text(report.facts)}</p><div class='box'>{lead}</div>{charts}"
        f"{''.join(map(_section_html, report.sections))}"
        f"<p class='faint'>{_text(' '.join(report.foot))}</p>"
        f"<p><strong>{CAVEAT}</strong></p></main></body></html>"
    ).encode()
