"""A dossier on paper: as many A4 pages as its vans need as PDF, or one self-contained HTML file."""

from __future__ import annotations

from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT
from dashboard.exports.document import (
    write_box,
    write_figure,
    write_html,
    write_line,
    write_list,
    write_pdf,
    write_table,
)
from dashboard.exports.dossier import LIMITS, Dossier
from dashboard.exports.sheet import A4, Sheet

_FOOT = 46.0  # points kept free at the bottom of a page for its number and where the figures come from
_ROW, _SIZE = 12.0, 8.0
_HEAD = 2 * _ROW  # height of the table's head with its rule
_LEAST_SCALE, _MOST_SCALE = 0.72, 0.88
"""How far a chart's letters may shrink to save a page, and how large they are where there is room: 12 points each."""
_KEY = 34.0  # height of the lines that say how to read the chart


def _lay_notes(sheet: Sheet, dossier: Dossier) -> None:
    for title, lines in (
        ("Could also be", dossier.rivals),
        ("Cautions", dossier.cautions),
        ("Next check", [dossier.next_check] if dossier.next_check else []),
    ):
        if lines:
            sheet.write(title, size=12, bold=True, gap=2)
            for line in lines:
                sheet.write(line, size=9.5, indent=8, gap=2)
    sheet.rule()
    sheet.write(LIMITS, size=8.5, colour=PRINT.faint, gap=2)
    sheet.write(CAVEAT, size=9, bold=True)


def _notes_height(dossier: Dossier) -> float:
    trial = Sheet(width=A4[0])
    _lay_notes(trial, dossier)
    return trial.y - trial.margin


def _new_page(dossier: Dossier) -> Sheet:
    sheet = Sheet(width=A4[0])
    sheet.write(f"{dossier.title}, continued", size=11, bold=True, gap=6)
    return sheet


def lay_out(dossier: Dossier) -> list[str]:
    """Return the dossier as A4 pages, each one SVG: the claim and the chart, then van by van, then what weakens it."""
    floor = A4[1] - _FOOT
    sheet = Sheet(width=A4[0])
    sheet.write(dossier.title, size=18, bold=True, gap=3)
    sheet.write(dossier.facts, size=9.5, colour=PRINT.faint, gap=6)
    sheet.box([(dossier.claim, 11, True), (dossier.certainty, 9.5, False)])
    if dossier.chart is not None:
        # a short dossier fits on one page if its chart gives way, as far as its letters can still be read
        rest = _KEY + _HEAD + _ROW * len(dossier.rows) + _notes_height(dossier)
        trial = Sheet(width=A4[0])
        trial.chart(dossier.chart, scale=_LEAST_SCALE)
        room = max(floor - sheet.y - rest, min(trial.y - trial.margin, floor - sheet.y - _KEY))
        sheet.chart(dossier.chart, scale=_MOST_SCALE, most_height=room)
        sheet.write(dossier.key, size=8.5, colour=PRINT.faint, gap=4)
    pages, left = [sheet], dossier.rows
    while left:
        room = int((floor - sheet.y - _HEAD) // _ROW)
        if room < min(4, len(left)):
            sheet = _new_page(dossier)
            pages.append(sheet)
            continue
        sheet.table(list(dossier.heads), left[:room], list(dossier.shares), size=_SIZE)
        left = left[room:]
    if sheet.y + _notes_height(dossier) > floor:
        sheet = _new_page(dossier)
        pages.append(sheet)
    _lay_notes(sheet, dossier)
    for number, page in enumerate(pages, 1):
        page.put(dossier.origin, page.margin, A4[1] - 24, size=8, colour=PRINT.faint)
        where = f"Page {number} of {len(pages)}"
        page.put(where, A4[0] - page.margin, A4[1] - 24, size=8, colour=PRINT.faint, end=True)
    return [page.as_svg(height=A4[1], title=dossier.title) for page in pages]


def print_pdf(dossier: Dossier) -> bytes:
    """Return the dossier as PDF, one A4 page after the other."""
    return write_pdf(dossier.title, lay_out(dossier))


def print_html(dossier: Dossier) -> bytes:
    """Return the dossier as one HTML file that asks for nothing from anywhere."""
    return write_html(
        dossier.title,
        [
            write_line(dossier.facts, "faint"),
            write_box([dossier.claim, dossier.certainty]),
            write_figure(dossier.chart, dossier.key) if dossier.chart is not None else "",
            write_table("Vans of the group", dossier.heads, dossier.rows),
            write_list("Could also be", dossier.rivals),
            write_list("Cautions", dossier.cautions),
            write_list("Next check", [dossier.next_check] if dossier.next_check else []),
            write_line(f"{LIMITS} {dossier.origin}", "faint"),
        ],
    )
