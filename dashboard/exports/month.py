"""The month on a page: what stands out, what was ruled out, what was done and whether it held, what is asked for."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from dashboard.charts.matter_words import headline, say_briefly, subject_of
from dashboard.charts.words import clean_text, count_of, format_number
from dashboard.exports.matter_page import say_kept
from dashboard.exports.report import Report, Section
from dashboard.questions import findings, fleet, months, records
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse
from pipeline.decisions import Decision, newest, read_decisions, say_return
from pipeline.errors import KinbayError
from pipeline.settings import Home

STALE_DAYS = 60
_NOT_THE_VAN = ("reader_bias", "cohort_offset", "exposure_effect", "code_fleetwide")
_RULED_OUT = ("not_a_fault", "known_normal")
_MOST = {"stands": 6, "ruled": 6, "done": 9, "asked": 6}


def read_month(text: str) -> dt.date:
    """Return the first day of a month written YYYY-MM.

    Raises
    ------
    KinbayError
        Where the text is no such month.
    """
    try:
        return dt.datetime.strptime(text.strip(), "%Y-%m").date()
    except ValueError as error:
        raise KinbayError(f"{clean_text(text)!r} is not a month", remedy="Write it as 2026-09.") from error


def write_month(warehouse: Warehouse, home: Home, month: dt.date) -> Report:
    """Gather what the page about one month says, with today's build as the yardstick."""
    build = fleet.describe_build(warehouse).row(0, named=True)
    names = fleet.list_shown_vans(warehouse, ALL_VANS)["van"].to_list()
    found = findings.list_findings(warehouse, names).to_dicts()
    decided = [d for d in read_decisions(home) if (d.at.year, d.at.month) == (month.year, month.month)]
    facts = months.describe_month(warehouse, month).row(0, named=True)
    sure, open_ones = _open_matters(found, home, build["data_to"].date())
    return Report(
        title=f"{month:%B %Y} on a page",
        facts=f"{count_of(facts['n_scans'], 'scan')} of {count_of(facts['n_vans'], 'van')} in the month;"
        f" {build['n_vans']} vans in the register",
        lead=(
            f"{count_of(len(sure), 'matter')} of single vans stand{'s' if len(sure) == 1 else ''} out;"
            f" {len(sure) - len(open_ones)} of them decided.",
            f"{format_number(build['cells_tested'], 0)} comparisons were made; chance alone would raise about"
            f" {format_number(build['expected_by_chance'], 1)}.",
        ),
        sections=(
            Section.first("What stands out", [_say(row) for row in open_ones], _MOST["stands"]),
            Section.first("What was ruled out", _say_ruled_out(found, decided), _MOST["ruled"]),
            Section.first("What was done, and did it hold", _say_done(warehouse, month, found), _MOST["done"]),
            Section("Cost", (_say_cost(facts),)),
            Section.first("What is asked for", _say_asked(warehouse, names, open_ones, decided), _MOST["asked"]),
        ),
        foot=(
            "A van is compared with its siblings: same make, model, engine and model year. n stands beside every"
            " figure. What was not scanned says nothing. What stands out is taken from the newest build.",
            f"Data to {build['data_to']:%d %b %Y}, build {build['build_id']}.",
        ),
    )  # fmt: skip


def _open_matters(
    found: list[dict[str, Any]], home: Home, today: dt.date
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Matters of vans that stand out, and those of them that no decision keeps quiet."""
    kept = newest(read_decisions(home))
    sure = [
        r for r in found if r["tier"] == "finding" and r["van"] is not None and r["kind"] != "repair_effect"
    ]

    def is_open(row: dict[str, Any]) -> bool:
        decision = kept.get(row["finding_id"])
        return decision is None or bool(say_return(decision, row, today))

    return sure, [row for row in sure if is_open(row)]


def _say(row: dict[str, Any]) -> str:
    text = headline(row)
    return f"{subject_of(row)}: {text[:1].lower()}{text[1:]} ({say_briefly(row)})."


def _say_ruled_out(found: list[dict[str, Any]], decided: list[Decision]) -> list[str]:
    """Decisions of the month that call a matter no fault, then what was put down to something else than one van."""
    own = [f"{clean_text(d.claim)} {say_kept(d)}" for d in decided if d.choice in _RULED_OUT]
    shared = [
        f"Not one van: {headline(row)} ({say_briefly(row)})."
        for row in found
        if row["kind"] in _NOT_THE_VAN and row["tier"] == "finding"
    ]
    return own + shared


def _say_done(warehouse: Warehouse, month: dt.date, found: list[dict[str, Any]]) -> list[str]:
    """Each piece of work, and what the scans since say of it where they say anything."""
    effects = [row for row in found if row["kind"] == "repair_effect" and row["van"] is not None]
    lines = []
    work = months.list_month_work(warehouse, month).filter(pl.col("what") != "reader_left_plugged")
    for row in work.iter_rows(named=True):
        what = " ".join(clean_text(row[k]) for k in ("what", "part", "code") if row[k])
        held = [headline(e) for e in effects if e["van"] == row["van"] and _is_about(e, row)]
        told = f" {held[0]}." if held else " Not judged: too few scans before or after, or no reading for it."
        cleared = row["what"] == "cleared"
        when, van = f"{row['happened_at']:%d %b}", clean_text(row["van"])
        lines.append(f"{when}, van {van}: {what}.{'' if cleared and not held else told}")
    return sorted(lines, key=lambda line: "cleared" in line) or ["No work is on record for this month."]


def _is_about(effect: dict[str, Any], work: dict[str, Any]) -> bool:
    """Whether a repair's effect is about this piece of work: its claim names the part, or it names the code."""
    part, code = work["part"], work["code"]
    return bool(part and part.casefold() in effect["claim"].casefold()) or bool(
        code and effect["code"] == code
    )


def _say_cost(facts: dict[str, Any]) -> str:
    """What the work cost and how long vans stood, with how many records say so."""
    n = count_of(facts["n_work"], "work record")
    if not facts["n_work"]:
        return "No work is on record for this month, so nothing can be said of its cost."
    cost = (
        f"{format_number(facts['cost'], 0)} in the fleet's currency, from {facts['n_costed']} of {n}"
        if facts["n_costed"]
        else f"No cost is written down in {n}"
    )
    standing = (
        f"; {format_number(facts['days_standing'], 1)} days standing, from {facts['n_standing']} of them"
        if facts["n_standing"]
        else ""
    )
    return f"{cost}{standing}. What is not written down is not counted."


def _say_asked(
    warehouse: Warehouse, names: list[str], open_ones: list[dict[str, Any]], decided: list[Decision]
) -> list[str]:
    """What needs a person or time: the bay, open matters, vans to scan."""
    bay = sorted({clean_text(d.van) for d in decided if d.choice == "to_the_bay" and d.van})
    lines = [f"Time in the bay for {count_of(len(bay), 'van')}: {', '.join(bay)}."] if bay else []
    vans = list(dict.fromkeys(clean_text(row["van"]) for row in open_ones))
    if vans:
        named = ", ".join(vans[:8]) + (" and more" if len(vans) > 8 else "")
        lines.append(f"A check of {count_of(len(vans), 'van')} with open matters: {named}.")
    coverage = records.list_coverage(warehouse, names)
    stale = coverage.filter(pl.col("days_since_scan").fill_null(1e9) > STALE_DAYS)["van"].to_list()
    if stale:
        named = ", ".join(clean_text(van) for van in stale[:8]) + (" and more" if len(stale) > 8 else "")
        lines.append(f"A scan of {count_of(len(stale), 'van')} not seen for {STALE_DAYS} days: {named}.")
    return lines or ["Nothing."]
