"""What a manager's page about one van says, before it is laid out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.charts.frame import Chart
from dashboard.charts.palette import GLYPHS, PRINT, WORDS
from dashboard.charts.siblings import draw_siblings
from dashboard.charts.van import draw_van
from dashboard.charts.words import Reading, clean_text, count_of, format_number, say_part, say_standing
from dashboard.questions import findings, fleet, siblings, vans
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError, nearest

MOST_READINGS, MOST_FINDINGS, MOST_CODES, MOST_EVENTS, MOST_CAUTIONS = 6, 3, 4, 3, 3


@dataclass(frozen=True)
class Brief:
    """One van in one page; every list is already cut to what a page holds.

    Parameters
    ----------
    title, facts, headline : str
        The van, what it is, and the count of what stands out.
    strip, overview : Chart or None
        The reading that stands out most across siblings; the farthest readings of the van.
    readings : list of list of str
        Reading, value, siblings' range, difference, evidence.
    matters : list of dict
        Claim, rivals, next check of each finding.
    codes, events, cautions : list of str
        Lines.
    unknown : str
        What was not judged or not scanned.
    origin : str
        Data date and build.
    """

    title: str
    facts: str
    headline: str
    strip: Chart | None
    overview: Chart | None
    readings: list[list[str]]
    matters: list[dict[str, Any]]
    codes: list[str]
    events: list[str]
    cautions: list[str]
    unknown: str
    origin: str


def find_van(warehouse: Warehouse, van: str) -> dict[str, Any]:
    """Return the van's register entry.

    Raises
    ------
    KinbayError
        Where there is no such van; the nearest name is given.
    """
    found = vans.describe_van(warehouse, van)
    if found.is_empty():
        names = fleet.list_shown_vans(warehouse, ALL_VANS)["van"].to_list()
        hint = nearest(van, names)
        raise KinbayError(
            f"There is no van called {clean_text(van)!r}",
            remedy=f"Did you mean {clean_text(hint)}?" if hint else "Name it as in the register.",
        )
    return found.row(0, named=True)


def describe_facts(facts: dict[str, Any]) -> str:
    """Say what the van is and how well it is known, in one line."""
    parts = [clean_text(facts["cohort"]), clean_text(facts["depot"])]
    if facts["age_years"] is not None:
        parts.append(f"{facts['age_years']:.1f} years")
    if facts["odometer_km"] is not None:
        parts.append(f"{format_number(facts['odometer_km'], 0)} km")
    parts.append(count_of(facts["n_scans"], "scan"))
    if facts["last_scan_at"] is not None:
        parts.append(f"last {facts['last_scan_at']:%d %b %Y}")
    parts.append(count_of(facts["n_siblings"], "sibling"))
    return " · ".join(part for part in parts if part)


def _list_readings(cells: pl.DataFrame) -> list[list[str]]:
    """The readings that stand out or nearly do, farthest first."""
    standing = cells.filter(pl.col("verdict").is_in(["above", "below", "borderline"])).head(MOST_READINGS)
    rows = []
    for row in standing.iter_rows(named=True):
        reading = Reading.from_row(row, row["channel"])
        rows.append(
            [
                reading.title,
                f"{GLYPHS[row['verdict']]} {WORDS[row['verdict']]}",
                reading.say(row["value"]),
                f"{reading.say(row['sibling_low'], unit=False)} to {reading.say(row['sibling_high'], unit=False)}",
                reading.say(row["difference"], signed=True, unit=False),
                f"{row['n_scans']} / {row['n_siblings']}",
            ]
        )
    return rows


def _draw_strip(warehouse: Warehouse, cells: pl.DataFrame, van: str, cohort_id: str) -> Chart | None:
    """Draw the reading that stands out most across the van's own cohort."""
    standing = cells.filter(pl.col("verdict").is_in(["above", "below", "borderline"]))
    if standing.is_empty():
        return None
    row = standing.row(0, named=True)
    reading = Reading.from_row(row, row["channel"])
    everyone = fleet.list_shown_vans(warehouse, ALL_VANS)
    names = everyone.filter(pl.col("cohort_id") == cohort_id)["van"].to_list()
    asked = (warehouse, reading.parameter, reading.state, reading.channel)
    return draw_siblings(
        siblings.list_sibling_cells(*asked, names), siblings.list_cohort_ranges(*asked), reading, van, PRINT
    )


def write_brief(warehouse: Warehouse, van: str) -> Brief:
    """Gather what a manager's page about `van` says.

    Raises
    ------
    KinbayError
        Where there is no such van.
    """
    facts = find_van(warehouse, van)
    build = fleet.describe_build(warehouse).row(0, named=True)
    cells = vans.list_van_cells(warehouse, van)
    judged = cells.filter(pl.col("verdict") != "not_judged")
    own = findings.list_findings(warehouse, [van]).filter(pl.col("van") == van)
    matters = own.filter(pl.col("tier").is_in(["finding", "likely"])).head(MOST_FINDINGS)
    codes = vans.list_van_codes(warehouse, van).filter(pl.col("on_last_scan")).head(MOST_CODES)
    events = vans.list_van_events(warehouse, van).head(MOST_EVENTS)
    cautions = [line for lines in matters["cautions"] for line in lines]
    return Brief(
        title=f"Van {clean_text(van)} against its siblings",
        facts=describe_facts(facts),
        headline=say_standing(cells.iter_rows(named=True)),
        strip=_draw_strip(warehouse, cells, van, facts["cohort_id"]),
        overview=draw_van(van, judged.head(4), PRINT, legend=False) if judged.height else None,
        readings=_list_readings(cells),
        matters=matters.select("claim", "rivals", "next_check", "tier").to_dicts(),
        codes=[
            f"{clean_text(c['code'])} ({clean_text(c['module'])}) {clean_text(c['title'])}:"
            f" on {c['n_scans']} of {c['n_covered']} scans, {clean_text(c['last_status'])}"
            for c in codes.iter_rows(named=True)
        ],
        events=[
            f"{e['happened_at']:%d %b %Y}: {say_part(e['what'])} {clean_text(e['note'])}".strip()
            for e in events.iter_rows(named=True)
            if e["happened_at"] is not None
        ],
        cautions=list(dict.fromkeys(clean_text(c) for c in cautions))[:MOST_CAUTIONS],
        unknown=f"{cells.height - judged.height} of {cells.height} comparisons of this van were not judged"
        " for want of scans or siblings. What was not scanned says nothing.",
        origin=f"Data to {build['data_to']:%d %b %Y}, build {build['build_id']}. All vans of the group compared.",
    )
