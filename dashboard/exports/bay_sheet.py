"""One A4 page for the bay: what to check on a van, the cautions, and blanks for what was found."""

from __future__ import annotations

import polars as pl

from dashboard.charts.matter_words import TIERS, headline, say_counts, say_figures
from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT, clean_text, say_standing
from dashboard.exports.document import write_pdf
from dashboard.exports.sheet import A4, Sheet
from dashboard.exports.van_facts import describe_facts, know_van, say_alone, say_code
from dashboard.questions import vans
from dashboard.questions.warehouse import Warehouse
from pipeline.counted import count_of

MOST_CHECKS, MOST_CAUTIONS = 5, 6
_BLANK = "Found: ______________________________________   Value: ____________   Fault: yes / no / not sure"
_FOOT = 86.0
_LINE = 24.0  # points between lines to write on, as in a ruled exercise book


def name_bay_sheet(van: str) -> str:
    """Return the title of the page."""
    return f"Bay sheet: van {clean_text(van)}"


def lay_out_bay_sheet(warehouse: Warehouse, van: str) -> str:
    """Return the page as SVG; what does not fit is counted, never dropped silently.

    Raises
    ------
    KinbayError
        Where there is no such van.
    """
    known = know_van(warehouse, van)
    own = known.matters
    sheet, floor = Sheet(width=A4[0]), A4[1] - _FOOT
    sheet.write(name_bay_sheet(van), size=20, bold=True, gap=2)
    sheet.write(describe_facts(known.facts), size=9.5, colour=PRINT.faint, gap=4)
    sheet.write(
        "Date: ____________  Odometer: ____________ km  By: ________________  Reader: ______________",
        size=10,
        gap=8,
    )
    _lay_cautions(sheet, own)
    left = len(own)
    for row in own[:MOST_CHECKS]:
        if sheet.y > floor - 110:
            break
        sheet.rule(gap=4)
        sheet.write(f"{TIERS[row['tier']]}: {headline(row)}", size=11, bold=True, gap=1)
        sheet.write(
            ". ".join(t for t in (say_figures(row), say_counts(row)) if t) + ".",
            size=9,
            colour=PRINT.faint,
            gap=2,
        )
        if row["next_check"]:
            sheet.write(f"Check: {row['next_check']}", size=10, gap=2)
        if row["rivals"]:
            rivals = "; ".join(row["rivals"][:3])
            sheet.write(f"Could also be: {rivals}", size=9, colour=PRINT.faint, gap=6)
        sheet.y += 8
        sheet.write(_BLANK, size=10, gap=6)
        left -= 1
    if not own:
        sheet.write(say_alone(known) or say_standing(known.cells.iter_rows(named=True)), size=10)
    if left > 0:
        sheet.write(f"{count_of(left, 'more matter')} on the dashboard.", size=9, colour=PRINT.faint)
    _lay_codes(sheet, warehouse, van, floor)
    _lay_notes(sheet, floor)
    sheet.y = floor
    sheet.rule(gap=4)
    sheet.write("Work done and parts: ____________________________________________________________", size=10)
    sheet.write(
        f"{CAVEAT} Follow the maker's procedure. {known.origin}",
        size=8.5,
        bold=True,
    )
    return sheet.as_svg(height=A4[1], title=name_bay_sheet(van))


def _lay_cautions(sheet: Sheet, own: list[dict[str, object]]) -> None:
    """The cautions of all checks in one box, before the first check."""
    lines: dict[str, None] = {}
    for row in own:
        cautions = row["cautions"]
        lines |= dict.fromkeys(clean_text(c) for c in cautions) if isinstance(cautions, list) else {}
    if lines:
        shown = list(lines)[:MOST_CAUTIONS]
        more = [("More cautions on the dashboard.", 8.5, False)] if len(lines) > len(shown) else []
        sheet.box([("Cautions", 10.5, True), *((line, 9, False) for line in shown), *more], gap=4)


def _lay_codes(sheet: Sheet, warehouse: Warehouse, van: str, floor: float) -> None:
    """Codes of the last scan, as far as the page holds them."""
    codes = vans.list_van_codes(warehouse, van).filter(pl.col("on_last_scan"))
    if codes.is_empty() or sheet.y > floor - 50:
        return
    sheet.rule(gap=4)
    sheet.write("Codes on the last scan (save them before clearing)", size=10.5, bold=True, gap=1)
    for row in codes.iter_rows(named=True):
        if sheet.y > floor - 18:
            return
        sheet.write(
            f"[  ] {say_code(row)}",
            size=9.5,
            gap=1,
        )


def _lay_notes(sheet: Sheet, floor: float) -> None:
    """Lines to write on, in whatever room is left."""
    if sheet.y > floor - 3 * _LINE:
        return
    sheet.rule(gap=4)
    sheet.write("Notes", size=10.5, bold=True, gap=0)
    while sheet.y + _LINE <= floor - 8:
        sheet.rule(gap=_LINE / 2)


def print_bay_sheet(warehouse: Warehouse, van: str) -> bytes:
    """Return the page as PDF."""
    return write_pdf(name_bay_sheet(van), [lay_out_bay_sheet(warehouse, van)])
