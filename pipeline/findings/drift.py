"""Findings of kind `van_drift`: a van that moves away from its siblings month by month."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from pipeline import vocabulary
from pipeline.counted import count_of
from pipeline.findings import wording

Row = dict[str, Any]
MOST_WORK = 3  # pieces of work named as rivals


def pace(slope: float, parameter: str) -> str:
    """Return a slope a month in two figures, with the reading's unit."""
    size = abs(slope)
    places = max(1 - math.floor(math.log10(size)), 0) if size > 0 else 0
    unit = vocabulary.parameter(parameter).unit
    return f"{size:,.{places}f}{'' if unit in ('1', 'count') else f' {unit}'} a month"


def _month(at: Any) -> str:
    return f"{at:%B %Y}"


def _edge(row: Row) -> str:
    """When it leaves the range in which a healthy sibling would fall."""
    if row["sibling_low"] is None:
        return ""
    key = row["parameter"]
    held = f"{wording.bare(row['sibling_low'], key)} to {wording.number(row['sibling_high'], key)}"
    if row["has_left"]:
        return f" It has left the range of its siblings ({held})."
    if row["leaves_at"] is None:
        return f" At this pace it stays within the range of its siblings ({held}) for ten years."
    early, late = row["leaves_from"] or row["leaves_at"], row["leaves_to"]
    until = f"{_month(early)} at the earliest, " + (
        f"{_month(late)} at the latest" if late is not None else "or not within ten years"
    )
    return f" At this pace it leaves the range of its siblings ({held}) about {_month(row['leaves_at'])} ({until})."


def _against(row: Row) -> str:
    """Whom it is held against."""
    if row["is_fallback"]:
        return f"away from the {count_of(row['n_siblings'], 'van')} of all model years"
    return f"away from its {count_of(row['n_siblings'], 'sibling')}"


def step_of(row: Mapping[str, Any]) -> str:
    """Return a step's side and size with its interval: "step up by 2.9 % (95 % 2.1 to 3.7)"."""
    key, side = row["parameter"], math.copysign(1, row["step_size"])
    said = f"step {'up' if side > 0 else 'down'} by {wording.number(abs(row['step_size']), key)}"
    if row["step_low"] is None:
        return said
    low, high = sorted(side * row[end] for end in ("step_low", "step_high"))
    return f"{said} (95 % {wording.bare(low, key)} to {wording.bare(high, key)})"


def _likeliest_step(row: Row) -> str:
    """The single step that describes the months best, beside the slope that describes them better."""
    return (
        f"One step instead of a slow drift: the likeliest is a {step_of(row)} about {_month(row['step_at'])}, but it "
        "leaves more scatter"
    )


def claim(row: Row) -> str:
    """Return what has happened in a mechanic's words, with how much, how long, how many and what comes of it."""
    key, total = row["parameter"], row["difference"]
    months = round(row["months"])
    name = f"Van {row['van']}: {wording.reading_name(key)}, {wording.state_name(row['state'])},"
    against = _against(row)
    basis = f"{count_of(row['n_scans'], 'scan')} in {row['n_months']} months"
    low, high = sorted(row[end] * math.copysign(1, total) for end in ("interval_low", "interval_high"))
    if row["is_step"]:
        return (
            f"{name} has stepped{step_of(row).removeprefix('step')} {against} about {_month(row['step_at'])}, "
            f"at once rather than little by little ({basis})."
        )
    way = "climbed" if total > 0 else "fallen"
    return (
        f"{name} has {way} by {pace(row['slope'], key)} {against} for {months} months: "
        f"{wording.number(abs(total), key)} in all (95 % {wording.bare(low, key)} to {wording.bare(high, key)}; "
        f"{basis}).{_edge(row)}"
    )


def rivals(row: Row, van: Row) -> tuple[str, ...]:
    """Return other explanations still standing: what it may mean, updates, work, mileage, small group."""
    known = vocabulary.parameter(row["parameter"])
    found = [known.meaning_high if row["difference"] > 0 else known.meaning_low]
    if not row["is_step"] and row["step_at"] is not None:
        found.append(_likeliest_step(row))
    if row["is_fallback"]:
        found.append("Too few siblings of its model year: followed against all model years of the model")
    for update in row["updates"]:
        told = "no step was shown" if update["is_told"] else "too few vans to tell"
        found.append(
            f"The update of {update['reader']} to {update['reader_version']} in {_month(update['since'])}: {told}"
        )
    done = [f"{w['done']} on {w['at'].day} {_month(w['at'])}" for w in row["work"]]
    if done:
        more = f" and {len(done) - MOST_WORK} more" if len(done) > MOST_WORK else ""
        found.append(f"Work on this van in that time: {', '.join(done[:MOST_WORK])}{more}")
    else:
        found.append(
            "Filters, fluids or parts changed on its siblings or on this van without being written down"
        )
    if van.get("is_most_driven"):
        found.append(f"It is the most driven of its cohort ({van['odometer_km']:,.0f} km): wear with mileage")
    else:
        found.append("More kilometres, other work or another route than its siblings in that time")
    if row["is_small_group"]:
        found.append(f"Small group: {count_of(row['n_siblings'], 'sibling')} only")
    return wording.joined(tuple(found))
