"""A van's course over time in a mechanic's words."""

from __future__ import annotations

import math
from typing import Any

from dashboard.charts.words import Reading, format_number
from pipeline.counted import count_of

TOLD = ("finding", "likely")


def say_pace(slope: float) -> str:
    """Write a slope a month in two figures with its sign."""
    places = max(1 - math.floor(math.log10(abs(slope))), 0) if slope else 0
    return format_number(slope, places, signed=True)


def say_course(row: dict[str, Any]) -> str:
    """Say in a few words, with a shape, what one reading of a van does over time."""
    if row["reason"] is not None:
        return "✚ Not followed"
    if row["tier"] == "watch":
        return "■ Borderline"
    if row["tier"] not in TOLD:
        return "● No drift shown"
    if row["is_step"]:
        return "▲ Stepped up" if row["step_size"] > 0 else "▼ Stepped down"
    return "▲ Climbs away" if row["difference"] > 0 else "▼ Falls away"


def is_told_as_step(row: dict[str, Any]) -> bool:
    """Whether what is told of a reading is one step, with nothing to draw on."""
    return row["tier"] in (*TOLD, "watch") and bool(row["is_step"])


def say_edge(row: dict[str, Any]) -> str | None:
    """Say when the line leaves the siblings' range; None where nothing is told of the reading."""
    if row["tier"] not in (*TOLD, "watch"):
        return None
    if row["is_step"]:
        known = row["range_low"] is not None
        within = known and row["range_low"] <= row["step_end"] <= row["range_high"]
        return ("within it since" if within else "outside it since") if known else None
    if row["has_left"]:
        return "has left it"
    if row["leaves_at"] is None:
        return "not within ten years"
    late = f"{row['leaves_to']:%b %Y}" if row["leaves_to"] else "later"
    early = row["leaves_from"] or row["leaves_at"]
    return f"about {row['leaves_at']:%b %Y} ({early:%b %Y} to {late})"


def say_step(row: dict[str, Any]) -> str | None:
    """Say the likeliest single step with its month; None where nothing is told of the reading."""
    if row["tier"] not in (*TOLD, "watch") or row["step_at"] is None:
        return None
    return f"{say_size(row)}, {row['step_at']:%b %Y}" + ("" if row["is_step"] else ", fits less well")


def say_size(row: dict[str, Any]) -> str:
    """Say how large the likeliest step is, with its 95 % interval where it has one."""
    reading = Reading.from_row(row)
    size = reading.say(row["step_size"], signed=True)
    if row["step_low"] is None:
        return size
    low, high = (reading.say(row[end], signed=True, unit=False) for end in ("step_low", "step_high"))
    return f"{size} ({low} to {high})"


def say_drifts(rows: list[dict[str, Any]]) -> str:
    """Say how many readings were followed and how many drift."""
    followed = [row for row in rows if row["reason"] is None]
    if not followed:
        return f"No reading could be followed yet: {rows[0]['reason']}."
    drifting = sum(row["tier"] in TOLD for row in followed)
    said = (
        f"{drifting or 'None'} of {count_of(len(followed), 'reading')} followed month by month "
        f"{'moves' if drifting == 1 else 'move'} away from the siblings."
    )
    left = len(rows) - len(followed)
    return said + (
        f" {left} more {'has' if left == 1 else 'have'} too few scans to be followed." if left else ""
    )
