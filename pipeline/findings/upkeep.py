"""One van's work and what it cost: the sections of `kinbay van` on repairs and on keeping or retiring."""

from __future__ import annotations

import textwrap
from typing import Any

import duckdb

from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.findings.code_words import short_name
from pipeline.findings.published import iso, rows_of

Row = dict[str, Any]
_WIDTH = 100
_REPAIRS = """
select
    worked_at, what, part, relearn, parameter, state, unit, n_before, n_after, n_needed, n_siblings, effect, effect_low,
    effect_high, effect_q, verdict, claim, strength_rank
from repairs
where van = ?
order by worked_at desc, what, part, strength_rank
"""
# What work was not done for may end by itself or by other work, so only the code that it names is told here.
_CODES = """
select worked_at, what, part, module, code, outcome, n_after, n_present_after, returned_at
from work_codes
where van = ? and work_code <> ''
order by worked_at desc, what, part, code, module
"""
_COSTS = "select * exclude (van, cohort_id) from van_costs where van = ?"
_OUTCOMES = {
    "ended": "has stayed away",
    "returned": "came back",
    "still_listed": "is still listed, no clearing is on record",
    "too_early": "too early to say",
}


def read_upkeep(connection: duckdb.DuckDBPyConnection, van: str) -> dict[str, Any]:
    """Return what work did to each reading and code of a van, newest first, and its costs beside the siblings'.

    Returns
    -------
    dict
        `repairs`, one for each piece of work and reading, the surest reading first; `work_codes`, one for each piece
        of work done for a code; `costs`, or None without any.
    """
    costs = rows_of(connection, _COSTS, [van])
    return {
        "repairs": [
            row | {"worked_at": iso(row["worked_at"])} for row in rows_of(connection, _REPAIRS, [van])
        ],
        "work_codes": [
            row | {name: iso(row[name]) for name in ("worked_at", "returned_at")}
            for row in rows_of(connection, _CODES, [van])
        ],
        "costs": {k: v.isoformat() if k in ("window_from", "window_to") else v for k, v in costs[0].items()}
        if costs
        else None,
    }


def _code_line(row: Row) -> str:
    name = short_name(row["code"], row["module"])
    back = f" on {wording.day(row['returned_at'])}" if row["returned_at"] else ""
    return (
        f"{wording.day(row['worked_at'])}, {row['what']} {row['part']}: {name} {_OUTCOMES[row['outcome']]}{back} "
        f"({count_of(row['n_after'], 'scan')} after that can tell, {row['n_present_after']} with it)."
    )


def _rate(title: str, value: float | None, row: Row, names: tuple[str, str, str, str], digits: int) -> str:
    """One rate beside the siblings'; `names` are the columns of their number, median, least and most."""
    if value is None:
        return f"{title}: not known, too little distance or nothing written down."
    n, middle, low, high = (row[name] for name in names)
    beside = f"{count_of(n, 'sibling')}, too few to compare with"
    if middle is not None:
        beside = f"{count_of(n, 'sibling')} from {low:,.{digits}f} to {high:,.{digits}f}, median {middle:,.{digits}f}"
    return f"{title}: {value:,.{digits}f}; {beside}."


def _say_costed(n_costed: int, n_work: int) -> str:
    """How much of the work has a cost at all."""
    if not n_work:
        return "No work is on record in that time; not recorded is not the same as none."
    have = "has" if n_work == 1 else "have"
    return (
        f"{n_costed} of {count_of(n_work, 'entry')} {have} a cost; what was never written down is not in it."
    )


def upkeep_lines(found: dict[str, Any]) -> list[str]:
    """Return the sections on work and on costs as lines for a terminal."""
    leads = [row["claim"] for row in found["repairs"] if row["strength_rank"] == 1]
    told = [*leads, *map(_code_line, found["work_codes"])]
    lines = [
        f"Work and what it did ({count_of(len(leads), 'piece')} judged by readings)",
        *(textwrap.fill(text, _WIDTH, subsequent_indent="  ") for text in told),
    ]
    if not told:
        lines.append("No work on record that a reading or a code could judge.")
    row = found["costs"]
    if not row:
        return lines
    return [
        *lines,
        "",
        f"Cost and days standing, {wording.day(row['window_from'])} to {wording.day(row['window_to'])}, in the fleet's own currency",
        _rate(
            "Cost per 10,000 km", row["cost_per_10000_km"], row,
            ("n_siblings", "sibling_median", "sibling_low", "sibling_high"), 0,
        ),
        _rate(
            "Days standing per 10,000 km", row["days_per_10000_km"], row,
            ("n_siblings_days", "sibling_days", "sibling_days_low", "sibling_days_high"), 1,
        ),
        _say_costed(row["n_costed"], row["n_work"]),
    ]  # fmt: skip
