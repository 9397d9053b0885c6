"""One van on one A4 page for a manager, as PDF without a browser or as a self-contained HTML file."""

from __future__ import annotations

from typing import Any

from dashboard.charts.matter_words import TIERS
from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT
from dashboard.exports.brief import Brief
from dashboard.exports.document import (
    write_box,
    write_figure,
    write_html,
    write_line,
    write_list,
    write_pdf,
    write_table,
)
from dashboard.exports.picture import SIBLINGS_KEY
from dashboard.exports.sheet import A4, Sheet
from pipeline.counted import count_of

_FOOT = 92.0
_TWO_LINES = 25.0
"""Height of two lines of the text in points."""
_HEADS = ["Reading", "Verdict", ">Value", ">Siblings", ">Diff.", ">Scans/vans"]
_SHARES = [0.39, 0.15, 0.12, 0.15, 0.08, 0.11]


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
        told, check = f"{TIERS[matter['tier']]}: {matter['claim']}", f"Next check: {matter['next_check']}"
        height = sheet.height_of(told, 9.5, bold=True) + sheet.height_of(check, 9.5) + 5
        is_last = number + 1 == len(matters)
        if sheet.y + height + (0.0 if is_last else _TWO_LINES / 2) > floor:
            left = count_of(len(matters) - number, "more matter")
            sheet.write(f"{left} on the dashboard.", colour=PRINT.faint, floor=floor)
            return
        sheet.write(told, size=9.5, bold=True, gap=1)
        if matter["next_check"]:
            sheet.write(check, size=9.5, indent=10, gap=4, floor=floor)


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


def _foot_lines(brief: Brief) -> list[str]:
    """What was not judged, how to read a chart where there is one, data date and build."""
    key = [SIBLINGS_KEY] if brief.strip is not None or brief.overview is not None else []
    return [brief.unknown, *key, brief.origin]


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
    elif brief.wait:
        sheet.write("What to do next", size=12, bold=True, gap=2)
        sheet.write(brief.wait, size=9.5, bold=True, gap=4, floor=floor)
    _lay_lines(sheet, "Cautions", brief.cautions, floor)
    _lay_others(sheet, brief.matters[1:], floor)
    _lay_lines(sheet, "Codes on the last scan", brief.codes, floor)
    _lay_lines(sheet, "Work and notes", brief.events, floor)
    sheet.y = floor
    sheet.rule(gap=4)
    for line in _foot_lines(brief):
        sheet.write(line, size=8, colour=PRINT.faint, gap=0)
    sheet.write(CAVEAT, size=9, bold=True)
    return sheet.as_svg(height=A4[1])


def print_pdf(brief: Brief) -> bytes:
    """Return the page as PDF."""
    return write_pdf(brief.title, [lay_out(brief)])


def _write_matter(matter: dict[str, Any]) -> str:
    return (
        write_line(f"{TIERS[matter['tier']]}: {matter['claim']}", "strong")
        + (write_line(f"Next check: {matter['next_check']}") if matter["next_check"] else "")
        + (write_line(f"Could also be: {'; '.join(matter['rivals'])}", "faint") if matter["rivals"] else "")
    )


def print_html(brief: Brief) -> bytes:
    """Return the page as one HTML file that asks for nothing from anywhere."""
    parts = [
        write_line(brief.facts, "faint"),
        write_box([brief.headline]),
        *(write_figure(chart) for chart in (brief.strip, brief.overview) if chart is not None),
    ]
    if brief.readings:
        parts.append(write_table("Readings that stand out or nearly do", _HEADS, brief.readings))
    if brief.matters:
        parts.append(f"<h2>What to check next</h2>{''.join(map(_write_matter, brief.matters))}")
    elif brief.wait:
        parts.append(f"<h2>What to do next</h2>{write_line(brief.wait, 'strong')}")
    parts += [
        write_list("Cautions", brief.cautions),
        write_list("Codes on the last scan", brief.codes),
        write_list("Work and notes", brief.events),
        write_line(" ".join(_foot_lines(brief)), "faint"),
    ]
    return write_html(brief.title, parts)
