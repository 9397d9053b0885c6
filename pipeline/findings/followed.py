"""One van through time: every reading that was followed against the siblings, for a terminal and as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import duckdb

from pipeline.findings import drift, wording
from pipeline.findings.published import iso, rows_of

Row = dict[str, Any]
_COLUMNS = (
    "parameter", "state", "unit", "n_scans", "n_months", "n_siblings", "is_fallback", "first_seen", "last_seen",
    "slope", "slope_low", "slope_high", "difference", "interval_low", "interval_high", "p", "rank_p", "q", "detectable",
    "tier", "is_step", "step_at", "step_size", "step_low", "step_high",
    "has_left", "leaves_at", "leaves_from", "leaves_to", "reason",
)  # fmt: skip
_TIMES = ("first_seen", "last_seen", "step_at", "leaves_at", "leaves_from", "leaves_to")
_TOLD = ("finding", "likely", "watch")


def read_drifts(connection: duckdb.DuckDBPyConnection, van: str) -> list[Row]:
    """Return the drift of every reading and state of a van, the surest first, those not followed last."""
    rows = rows_of(
        connection,
        "select * from van_drifts where van = ? order by p nulls last, parameter, state",
        [van],
    )
    return [{name: iso(row[name]) if name in _TIMES else row[name] for name in _COLUMNS} for row in rows]


def _course(row: Mapping[str, Any]) -> str:
    """What the line does: nothing that shows, a slope, or a step; then when it leaves the siblings' range."""
    if row["tier"] not in _TOLD:
        return "no drift shown"
    month = wording.month(row["step_at"]) if row["step_at"] else "unknown"
    if row["is_step"]:
        return f"{drift.step_of(row)} about {month} ({row['tier']})"
    way = f"{'climbs' if row['difference'] > 0 else 'falls'} ({row['tier']}; likeliest step {month})"
    if row["has_left"]:
        return f"{way}, has left the siblings' range"
    return (
        f"{way}, leaves the siblings' range about {wording.month(row['leaves_at'])}"
        if row["leaves_at"]
        else way
    )


def _line(row: Mapping[str, Any]) -> str:
    key = row["parameter"]
    name = f"{wording.reading_name(key)}, {wording.state_name(row['state'])}"
    sign = {1: "+", -1: "-", 0: ""}[(row["slope"] > 0) - (row["slope"] < 0)]
    years = " of all model years" if row["is_fallback"] else ""
    low, high = (wording.bare(row[end], key, signed=True) for end in ("interval_low", "interval_high"))
    pace = f"{sign}{drift.pace(row['slope'], key)}"
    return (
        f"{name:<52.52} {pace:>32} {_course(row)}; {low} to {high} over the time (95 %), "
        f"n {row['n_siblings']}{years}, {row['n_scans']} scans in {row['n_months']} months"
    )


def drift_lines(rows: list[Row]) -> list[str]:
    """Return the section of `kinbay van` on drift; readings not followed are counted with the reason."""
    judged = [row for row in rows if row["reason"] is None]
    lines = [f"Drift away from siblings ({len(judged)} readings and states followed)", *map(_line, judged)]
    reasons: dict[str, int] = {}
    for row in rows:
        if row["reason"] is not None:
            reasons[row["reason"]] = reasons.get(row["reason"], 0) + 1
    return lines + [f"Not followed, {n}: {reason}." for reason, n in sorted(reasons.items())]
