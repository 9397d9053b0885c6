"""One van on one A4 page for a manager, as PDF without a browser or as a self-contained HTML file."""

from __future__ import annotations

from html import escape
from typing import Any

from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT, clean_text, count_of
from dashboard.exports.brief import Brief
from dashboard.exports.picture import SIBLINGS_KEY
from dashboard.exports.sheet import Sheet, convert, render_chart

A4 = (595.0, 842.0)
_FOOT = 92.0
_TWO_LINES = 25.0
"""Height of two lines of the text in points."""
_HEADS = ["Reading", "Verdict", ">Value", ">Siblings", ">Diff.", ">Scans/vans"]
_SHARES = [0.38, 0.17, 0.14, 0.12, 0.08, 0.11]
TIERS = {
    "finding": "Stands out",
    "likely": "Likely",
    "watch": "Watch",
    "not_enough_evidence": "Not enough evidence",
}


def _lay_first(sheet: Sheet, matter: dict[str, Any], floor: float) -> None:
    """What to do about the matter in the box, and what else it could be in two lines."""
    sheet.write("What to check next", size=12, bold=True, gap=2)
    if matter["next_check"]:
        sheet.write(f"Next check: {matter['next_check']}", size=9.5, bold=True, gap=1, floor=floor)
    if matter["rivals"]:
        sheet.write(
            f"Could also be: {'; '.join(matter['rivals'])}",
            size=9.5,
            colour=PRINT.faint,
            gap=4,
            floor=min(floor, sheet.y + _TWO_LINES),
        )


def _lay_others(sheet: Sheet, matters: list[dict[str, Any]], floor: float) -> None:
    """The other matters of the van, as far as the page holds them."""
    for number, matter in enumerate(matters):
        told = f"{TIERS[matter['tier']]}: {matter['claim']}"
        if sheet.y + sheet.height_of(told, 9.5, bold=True) + _TWO_LINES > floor:
            left = count_of(len(matters) - number, "more matter")
            sheet.write(f"{left} on the dashboard.", colour=PRINT.faint, floor=floor)
            return
        sheet.write(told, size=9.5, bold=True, gap=1)
        if matter["next_check"]:
            sheet.write(f"Next check: {matter['next_check']}", size=9.5, indent=10, gap=4, floor=floor)


def _lay_lines(sheet: Sheet, title: str, lines: list[str], floor: float) -> None:
    """A short list under a title, as far as the page holds it."""
    if not lines or sheet.y > floor - 40:
        return
    sheet.write(title, size=12, bold=True, gap=2)
    for line in lines:
        sheet.write(line, size=9.5, indent=10, gap=1, floor=floor)
    sheet.y += 4


def _room_needed(sheet: Sheet, brief: Brief) -> float:
    """Return the height of what may not be left out: the table, the first next check and the cautions, in points."""
    lines = [f"Next check: {m['next_check']}" for m in brief.matters[:1]] + brief.cautions
    text = sum(sheet.height_of(line, 9.5, bold=True) + 1 for line in lines)
    return 13.0 * (len(brief.readings) + 2) + text + 3 * _TWO_LINES


def lay_out(brief: Brief) -> str:
    """Return the A4 page as SVG.

    Cautions come before whatever may be left out for want of room; nothing is written into the
    foot, and a chart with no room beside them is left out.
    """
    sheet = Sheet(width=A4[0])
    floor = A4[1] - _FOOT
    sheet.write(brief.title, size=20, bold=True, gap=3)
    sheet.write(brief.facts, size=9.5, colour=PRINT.faint, gap=6)
    top = [(brief.matters[0]["claim"], 11.0, False)] if brief.matters else []
    sheet.box([(brief.headline, 12, True), *top])
    for chart, height in ((brief.strip, 130.0), (brief.overview, 190.0)):
        if chart is not None and sheet.y + height + _room_needed(sheet, brief) <= floor:
            sheet.chart(chart, scale=0.78, most_height=height)
    if brief.readings:
        sheet.table(_HEADS, brief.readings, _SHARES, size=8.5)
    if brief.matters:
        _lay_first(sheet, brief.matters[0], floor)
    _lay_lines(sheet, "Cautions", brief.cautions, floor)
    _lay_others(sheet, brief.matters[1:], floor)
    _lay_lines(sheet, "Codes on the last scan", brief.codes, floor)
    _lay_lines(sheet, "Work and notes", brief.events, floor)
    sheet.y = floor
    sheet.rule(gap=4)
    for line in (brief.unknown, SIBLINGS_KEY, brief.origin):
        sheet.write(line, size=8, colour=PRINT.faint, gap=0)
    sheet.write(CAVEAT, size=9, bold=True)
    return sheet.as_svg(height=A4[1])


def print_pdf(brief: Brief) -> bytes:
    """Return the page as PDF."""
    return convert(lay_out(brief), "pdf")


STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;color:#0A0F14;max-width:46rem;margin:2rem auto;padding:0 1rem}"
    "h1{font-size:1.6rem;margin:0}h2{font-size:1.1rem;margin:1.4rem 0 .3rem}p{margin:.3rem 0}"
    ".faint{color:#4A5763}.box{background:#F0F4F7;border-left:4px solid #0B6AA6;padding:.7rem 1rem;margin:1rem 0}"
    "table{border-collapse:collapse;width:100%;font-size:.9rem}th,td{text-align:left;padding:.25rem .5rem;"
    "border-bottom:1px solid #D5DDE3}td:nth-child(n+3),th:nth-child(n+3){text-align:right}"
    "figure{margin:1rem 0;overflow-x:auto}@media print{body{margin:0}}"
)


def _text(text: object) -> str:
    return escape(clean_text(text))


def _items(title: str, lines: list[str]) -> str:
    if not lines:
        return ""
    return f"<h2>{title}</h2><ul>{''.join(f'<li>{_text(line)}</li>' for line in lines)}</ul>"


def _matters_html(brief: Brief) -> str:
    rows = [
        f"<p><strong>{TIERS[m['tier']]}: {_text(m['claim'])}</strong></p>"
        f"<p>Next check: {_text(m['next_check'])}</p>"
        f"<p class='faint'>Could also be: {_text('; '.join(m['rivals']))}</p>"
        for m in brief.matters
    ]
    return f"<h2>What to check next</h2>{''.join(rows)}" if rows else ""


def print_html(brief: Brief) -> bytes:
    """Return the page as one HTML file that asks for nothing from anywhere."""
    table = ""
    if brief.readings:
        head = "".join(f"<th scope='col'>{h.lstrip('>')}</th>" for h in _HEADS)
        body = "".join(f"<tr>{''.join(f'<td>{_text(c)}</td>' for c in row)}</tr>" for row in brief.readings)
        table = f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    charts = "".join(
        f"<figure role='img' aria-label='{_text(c.alt)}'>{render_chart(c, 640)}</figure>"
        for c in (brief.strip, brief.overview)
        if c is not None
    )
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{_text(brief.title)}</title>"
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        f"<style>{STYLE}</style></head><body><main><h1>{_text(brief.title)}</h1>"
        f"<p class='faint'>{_text(brief.facts)}</p>"
        f"<div class='box'><strong>{_text(brief.headline)}</strong></div>{charts}{table}{_matters_html(brief)}"
        f"{_items('Cautions', brief.cautions)}{_items('Codes on the last scan', brief.codes)}"
        f"{_items('Work and notes', brief.events)}"
        f"<p class='faint'>{_text(brief.unknown)} {SIBLINGS_KEY} {_text(brief.origin)}</p>"
        f"<p><strong>{CAVEAT}</strong></p></main></body></html>"
    ).encode()
