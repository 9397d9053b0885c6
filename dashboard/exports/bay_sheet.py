"""One A4 page for the bay: what to check on a van, the cautions, and blanks for what was found."""

from __future__ import annotations

import polars as pl

from dashboard.charts.matter_words import TIERS, headline, say_counts, say_figures
from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT, clean_text, count_of
from dashboard.exports.brief import describe_facts, find_van
from dashboard.exports.handout import A4
from dashboard.exports.sheet import Sheet, convert
from dashboard.questions import findings, fleet, vans
from dashboard.questions.warehouse import Warehouse

MOST_CHECKS, MOST_CAUTIONS = 5, 6
_BLANK = "Found: ______________________________________   Value: ____________   Fault: yes / no / not sure"
_FOOT = 86.0


def lay_out_bay_sheet(warehouse: Warehouse, van: str) -> str:
    """Return the page as SVG; what does not fit is counted, never dropped silently.

    Raises
    ------
    KinbayError
        Where there is no such van.
    """
    facts = find_van(warehouse, van)
    build = fleet.describe_build(warehouse).row(0, named=True)
    found = findings.list_findings(warehouse, [van])
    own = found.filter((pl.col("van") == van) & pl.col("tier").is_in(["finding", "likely"])).to_dicts()
    sheet, floor = Sheet(width=A4[0]), A4[1] - _FOOT
    sheet.write(f"Bay sheet: van {clean_text(van)}", size=20, bold=True, gap=2)
    sheet.write(describe_facts(facts), size=9.5, colour=PRINT.faint, gap=4)
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
        sheet.write("Nothing of this van stands out in the readings that could be compared.", size=10)
    if left > 0:
        sheet.write(f"{count_of(left, 'more matter')} on the dashboard.", size=9, colour=PRINT.faint)
    _lay_codes(sheet, warehouse, van, floor)
    sheet.y = floor
    sheet.rule(gap=4)
    sheet.write("Work done and parts: ____________________________________________________________", size=10)
    sheet.write(
        f"{CAVEAT} Follow the maker's procedure. Data to {build['data_to']:%d %b %Y}, build {build['build_id']}.",
        size=8.5,
        bold=True,
    )
    return sheet.as_svg(height=A4[1])


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
            f"[  ] {clean_text(row['code'])} ({clean_text(row['module'])}) {clean_text(row['title'])}",
            size=9.5,
            gap=1,
        )


def print_bay_sheet(warehouse: Warehouse, van: str) -> bytes:
    """Return the page as PDF."""
    return convert(lay_out_bay_sheet(warehouse, van), "pdf")
