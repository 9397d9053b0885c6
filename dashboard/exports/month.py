"""The month on a page: what is asked for, what stands out, what was done and whether it held, what was ruled out."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.charts.matter_words import cut, headline, is_of_one_van, say_plainly, say_split, subject_of
from dashboard.charts.words import clean_text, format_number, lower_first, say_part
from dashboard.exports.matter_page import say_kept
from dashboard.exports.report import Report, Section
from dashboard.questions import findings, fleet, months, records
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.warehouse import Warehouse
from pipeline.counted import count_of
from pipeline.decisions import Decision, newest, read_decisions, say_return
from pipeline.errors import KinbayError
from pipeline.settings import STALE_DAYS, Home

_NOT_THE_VAN = ("reader_bias", "cohort_offset", "exposure_effect", "code_fleetwide")
_RULED_OUT = ("not_a_fault", "known_normal")
_MOST = {"asked": 4, "stands": 12, "done": 7, "ruled": 6}
_LONGEST = 190
"""What one line of a list may hold on paper, in letters."""


@dataclass(frozen=True)
class Known:
    """What was known of the fleet at the end of a month.

    Parameters
    ----------
    matters : list of dict
        Findings, as rows of `list_findings`; what a build of then does not tell is None.
    day : datetime.date
        The day that decisions are held against.
    source : str
        Which build this is taken from, in a sentence.
    is_newest : bool
        Whether that is the newest build, whose count of comparisons is known.
    """

    matters: list[dict[str, Any]]
    day: dt.date
    source: str
    is_newest: bool = True


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


def write_month(warehouse: Warehouse, home: Home, month: dt.date, filters: Filters = ALL_VANS) -> Report:
    """Gather what the page about one month says, from what was known then where a build of then is kept.

    Parameters
    ----------
    warehouse, home : Warehouse, Home
        The published build, and where decisions are kept.
    month : datetime.date
        Any day of the month.
    filters : Filters
        Whose scans, work, matters and decisions are told; what is of no single van is always told.
    """
    build = fleet.describe_build(warehouse).row(0, named=True)
    names = fleet.list_shown_vans(warehouse, filters)["van"].to_list()
    only = None if filters == ALL_VANS else names
    known = _known_then(warehouse, names, month, build, is_whole=only is None)
    until_then = tuple(
        d
        for d in read_decisions(home)
        if (d.at.year, d.at.month) <= (month.year, month.month)
        and (only is None or not d.van or d.van in only)
    )
    decided = [d for d in until_then if (d.at.year, d.at.month) == (month.year, month.month)]
    facts = months.describe_month(warehouse, month, only).row(0, named=True)
    if not (facts["n_scans"] or facts["n_work"] or decided):
        return _write_empty(warehouse, month, build, filters)
    sure, open_ones = _open_matters(known, newest(until_then))
    vans = {row["van"] for row in sure}
    return Report(
        title=f"The fleet in {month:%B %Y}",
        facts=f"{count_of(facts['n_scans'], 'scan')} of {count_of(facts['n_vans'], 'van')} in the month;"
        f" {build['n_vans']} vans in the register{_say_shown(filters)}",
        lead=(
            "No van could be compared with siblings yet; that is not to say that all is well."
            if known.is_newest and not build["cells_tested"]
            else f"{len(vans) or 'None'} of {count_of(len(names), 'van')} stand{'s' if len(vans) == 1 else ''} out from"
            f" {'its' if len(vans) == 1 else 'their'} siblings, in {count_of(len(sure), 'matter')};"
            f" {len(sure) - len(open_ones) or 'none'} of these decided.",
            f"In all, {say_split(known.matters).lower()}. {_say_chance(known, build)}",
        ),
        sections=(
            Section.first("What is asked for", _say_asked(warehouse, names, open_ones, decided), _MOST["asked"]),
            Section.first("What stands out", [_say(row) for row in open_ones], _MOST["stands"]),
            Section.first("What was done, and did it hold", _say_done(warehouse, month, only), _MOST["done"]),
            Section.first("What was ruled out", _say_ruled_out(known.matters, decided), _MOST["ruled"]),
            Section("Cost", (_say_cost(facts),)),
        ),
        foot=(
            "A van is compared with its siblings: same make, model, engine and model year. In brackets: the difference,"
            " where it lies 19 times of 20, and the scans behind it. What was not scanned says nothing.",
            f"Whether work held is said by the newest build: data to {build['data_to']:%d %b %Y}, build {build['build_id']}.",
        ),
    )  # fmt: skip


def _say_shown(filters: Filters) -> str:
    """Which vans the page is about, where it is not about all of them."""
    return "" if filters == ALL_VANS else f"; vans shown: {filters.describe()}"


def _write_empty(warehouse: Warehouse, month: dt.date, build: dict[str, Any], filters: Filters) -> Report:
    """A month of which nothing is on record: said as that, with the months that have something."""
    known = months.list_months(warehouse)["month_at"].to_list()
    span = f"Scans and work are on record from {known[-1]:%B %Y} to {known[0]:%B %Y}." if known else ""
    return Report(
        title=f"The fleet in {month:%B %Y}",
        facts=f"{build['n_vans']} vans in the register{_say_shown(filters)}",
        lead=(
            f"Nothing was scanned, done or decided in {month:%B %Y}, as far as is on record.",
            f"{span} What was not scanned says nothing.".strip(),
        ),
        sections=(),
        foot=(f"Data to {build['data_to']:%d %b %Y}, build {build['build_id']}.",),
    )


def _say_chance(known: Known, build: dict[str, Any]) -> str:
    """Where the matters come from, and how many of them chance alone would raise where that is known."""
    if not known.is_newest:
        return known.source
    return (
        f"{known.source} {format_number(build['cells_tested'], 0)} comparisons were made; chance alone would raise"
        f" about {format_number(build['expected_by_chance'], 1)} matters."
    )


def _known_then(
    warehouse: Warehouse, names: list[str], month: dt.date, build: dict[str, Any], *, is_whole: bool
) -> Known:
    """The newest build for the month its data end in; for another month the last build of then, where one is kept."""
    today = findings.list_findings(warehouse, names)
    data_to: dt.datetime = build["data_to"]
    if (data_to.year, data_to.month) == (month.year, month.month):
        return Known(today.to_dicts(), data_to.date(), f"As of the newest build, data to {data_to:%d %b %Y}.")
    then = months.find_month_findings(warehouse, month)
    if then.is_empty():
        return Known(
            today.to_dicts(),
            data_to.date(),
            f"No build of {month:%B %Y} is kept: this is what the newest build says, with scans to {data_to:%d %b %Y}.",
        )
    first = then.row(0, named=True)
    blank: dict[str, Any] = dict.fromkeys(today.columns)
    rows = [
        {**blank, **row}
        for row in then.iter_rows(named=True)
        if row["finding_id"] is not None and (is_whole or row["van"] is None or row["van"] in names)
    ]
    return Known(
        rows,
        first["data_to"].date(),
        f"As it was known then: build {first['build_id']}, data to {first['data_to']:%d %b %Y}.",
        is_newest=False,
    )


def _open_matters(
    known: Known, kept: Mapping[str, Decision]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Matters of vans that stand out, and those of them that no decision of then keeps quiet."""
    sure = [row for row in known.matters if row["tier"] == "finding" and is_of_one_van(row)]

    def is_open(row: dict[str, Any]) -> bool:
        decision = kept.get(row["finding_id"])
        return decision is None or bool(say_return(decision, row, known.day))

    return sure, [row for row in sure if is_open(row)]


def _say(row: dict[str, Any]) -> str:
    plain = say_plainly(row)
    return cut(f"{subject_of(row)}: {lower_first(headline(row))}{f' ({plain})' if plain else ''}.", _LONGEST)


def _say_ruled_out(found: list[dict[str, Any]], decided: list[Decision]) -> list[str]:
    """Decisions of the month that call a matter no fault, then what was put down to something else than one van."""
    own = [
        cut(f"{cut(clean_text(d.claim), 90)} {say_kept(d)}", _LONGEST)
        for d in decided
        if d.choice in _RULED_OUT
    ]
    shared = [
        cut(f"Not one van: {headline(row)}{f' ({say_plainly(row)})' if say_plainly(row) else ''}.", _LONGEST)
        for row in found
        if row["kind"] in _NOT_THE_VAN and row["tier"] == "finding"
    ]
    return own + shared


def _say_done(warehouse: Warehouse, month: dt.date, only: list[str] | None) -> list[str]:
    """Each piece of work that readings can judge, earlier work that is seen not to have held, the rest in one line."""
    lines, rest = [], Counter[str]()
    work = months.list_month_work(warehouse, month, only).filter(pl.col("what") != "reader_left_plugged")
    for row in work.iter_rows(named=True):
        what = _name_work(row)
        verdict = _say_verdict(row)
        if verdict:
            for_code = f" for {clean_text(row['code'])}" if row["code"] else ""
            said = f"{row['happened_at']:%d %b}, van {clean_text(row['van'])}: {what}{for_code}. {verdict}"
            lines.append(cut(said, _LONGEST))
        else:
            rest[what] += 1
    lines += [
        cut(
            f"{row['worked_at']:%d %b %Y}, van {clean_text(row['van'])}: {_name_work(row)}. Did not hold in"
            f" {count_of(row['n_readings'], 'reading')}, seen again this month.",
            _LONGEST,
        )
        for row in months.list_month_unheld(warehouse, month, only).head(2).iter_rows(named=True)
    ]
    if rest:
        named = ", ".join(what if n == 1 else f"{what} ({n})" for what, n in rest.most_common())
        also = "Also" if lines else "Done"
        lines.append(cut(f"{also}, with no reading to judge it by or too few scans: {named}.", 2 * _LONGEST))
    return lines or ["No work is on record for this month."]


def _name_work(row: dict[str, Any]) -> str:
    return say_part(row["part"], row["what"])


def _say_verdict(row: dict[str, Any]) -> str:
    """What the scans say of a piece of work, the worst first; empty where they cannot say anything."""
    if row["n_not_held"]:
        return f"Did not hold in {count_of(row['n_not_held'], 'reading')}."
    if row["n_held"]:
        return f"Held so far, in {count_of(row['n_held'], 'reading')}."
    if row["n_no_effect"]:
        return f"No effect seen in {count_of(row['n_no_effect'], 'reading')}: nothing was off before, or too little moved."
    if row["n_too_early"]:
        return "Too early to say: too few scans since."
    return ""


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


def _name_vans(vans: list[str]) -> str:
    """Name up to eight vans, and say how many more there are."""
    more = f" and {len(vans) - 8} more" if len(vans) > 8 else ""
    return ", ".join(clean_text(van) for van in vans[:8]) + more


def _say_asked(
    warehouse: Warehouse, names: list[str], open_ones: list[dict[str, Any]], decided: list[Decision]
) -> list[str]:
    """What needs a person or time: the bay, open matters, vans to scan."""
    bay = sorted({d.van for d in decided if d.choice == "to_the_bay" and d.van})
    lines = [f"Time in the bay for {count_of(len(bay), 'van')}: {_name_vans(bay)}."] if bay else []
    vans = list(dict.fromkeys(row["van"] for row in open_ones))
    if vans:
        lines.append(f"A check of {count_of(len(vans), 'van')} with open matters: {_name_vans(vans)}.")
    coverage = records.list_coverage(warehouse, names)
    stale = coverage.filter("is_stale")["van"].to_list()
    if stale:
        seen = f"not scanned for {STALE_DAYS} days as of the newest build"
        lines.append(f"A scan of {count_of(len(stale), 'van')} {seen}: {_name_vans(stale)}.")
    return lines or ["Nothing."]
