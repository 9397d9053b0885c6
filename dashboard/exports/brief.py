"""What a manager's page about one van says, before it is laid out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.charts.frame import Chart
from dashboard.charts.palette import GLYPHS, PRINT, WORDS
from dashboard.charts.van import draw_van
from dashboard.charts.words import Reading, clean_text, say_part, say_standing
from dashboard.exports.reading_pictures import draw_own_group
from dashboard.exports.van_facts import Known, describe_facts, know_van, say_alone, say_code
from dashboard.questions import vans
from dashboard.questions.warehouse import Warehouse
from pipeline.counted import count_of

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
        Rows of `list_findings`, best first.
    codes, events, cautions : list of str
        Lines.
    wait : str
        What to do where nothing stands out; empty where something does.
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
    wait: str
    unknown: str
    origin: str


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


def _draw_strip(warehouse: Warehouse, cells: pl.DataFrame, van: str) -> Chart | None:
    """Draw the reading that stands out most across the van's own cohort."""
    standing = cells.filter(pl.col("verdict").is_in(["above", "below", "borderline"]))
    if standing.is_empty():
        return None
    row = standing.row(0, named=True)
    return draw_own_group(warehouse, Reading.from_row(row, row["channel"]), van)


def _say_wait(known: Known, n_judged: int) -> str:
    """Say what to do with a van of which nothing stands out; a van without siblings gains nothing by more scans."""
    if known.matters or known.is_alone:
        return ""
    n_open = known.cells.height - n_judged
    scan = "Scan it again in the same states, with a reader that its siblings are read with"
    if not n_judged:
        return f"{scan}: nothing could be judged yet."
    if n_open:
        return f"Nothing stands out so far. {scan}: {count_of(n_open, 'comparison')} could not be judged yet."
    return "Nothing stands out: scan it again at the usual time."


def _say_unknown(n: int, n_judged: int) -> str:
    """Say how many comparisons of a van were not judged."""
    if n == n_judged:
        return (
            f"All {count_of(n, 'comparison')} of this van could be judged. What was not scanned says nothing."
        )
    return (
        f"{n - n_judged} of {count_of(n, 'comparison')} of this van were not judged for want of scans or siblings. What was"
        " not scanned says nothing."
    )


def write_brief(warehouse: Warehouse, van: str) -> Brief:
    """Gather what a manager's page about `van` says.

    Raises
    ------
    KinbayError
        Where there is no such van.
    """
    known = know_van(warehouse, van)
    cells, matters = known.cells, known.matters[:MOST_FINDINGS]
    judged = cells.filter(pl.col("verdict") != "not_judged")
    codes = vans.list_van_codes(warehouse, van).filter(pl.col("on_last_scan")).head(MOST_CODES)
    events = vans.list_van_events(warehouse, van).head(MOST_EVENTS)
    cautions = [line for matter in matters for line in matter["cautions"]]
    return Brief(
        title=f"Van {clean_text(van)} against its siblings",
        facts=describe_facts(known.facts),
        headline=say_alone(known) or say_standing(cells.iter_rows(named=True)),
        strip=_draw_strip(warehouse, cells, van),
        overview=draw_van(van, judged.head(4), PRINT, legend=False) if judged.height else None,
        readings=_list_readings(cells),
        matters=matters,
        codes=[
            f"{say_code(c)}: on {c['n_scans']} of {c['n_covered']} scans, {clean_text(c['last_status'])}"
            for c in codes.iter_rows(named=True)
        ],
        events=[
            f"{e['happened_at']:%d %b %Y}: {say_part(e['what'])} {clean_text(e['note'])}".strip()
            for e in events.iter_rows(named=True)
            if e["happened_at"] is not None
        ],
        cautions=list(dict.fromkeys(clean_text(c) for c in cautions))[:MOST_CAUTIONS],
        wait=_say_wait(known, judged.height),
        unknown=_say_unknown(cells.height, judged.height),
        origin=f"{known.origin} All vans of the group compared.",
    )
