"""Unsteadiness within a scan and steps between states, in a mechanic's words."""

from __future__ import annotations

from functools import cache
from typing import Any

from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.vocabulary.physics import step_rows

Row = dict[str, Any]
CHANNELS = ("spread", "step")


@cache
def _before() -> dict[str, str]:
    """The state each step begins in, by the one it ends in."""
    return dict(step_rows())


def fine(value: float, key: str, *, unit: bool = True) -> str:
    """A standard deviation in two figures, which may be finer than the reading's step."""
    text = f"{value:,.0f}" if abs(value) >= 10 else f"{float(f'{value:.2g}'):g}"
    with_unit = wording.number(0.0, key).partition(" ")[2]
    return f"{text} {with_unit}".strip() if unit else text


def _against(row: Row) -> str:
    if row["is_fallback"]:
        return f"the {count_of(row['n_siblings'], 'van')} of all model years"
    return f"its {count_of(row['n_siblings'], 'sibling')}"


def claim(row: Row) -> str:
    """Return the claim of a cell whose channel is spread or step."""
    key, name = row["parameter"], wording.reading_name(row["parameter"])
    state = wording.state_name(row["state"])
    if row["channel"] == "spread":
        side = "unsteadier" if row["difference"] > 0 else "steadier"
        return (
            f"Van {row['van']}: {name}, {state}, is {side} within a scan than on {_against(row)}: rows of one scan "
            f"scatter by {fine(row['value'], key)} (standard deviation) against {fine(row['expected'], key)}; siblings "
            f"run from {fine(row['sibling_low'], key, unit=False)} to {fine(row['sibling_high'], key, unit=False)}; "
            f"{count_of(row['n_scans'], 'scan')}. It is about unsteadiness, not about how high the reading stands."
        )
    more = "more" if row["difference"] > 0 else "less"
    return (
        f"Van {row['van']}: from {wording.state_name(_before()[row['state']])} to {state}, {name} goes "
        f"{wording.number(abs(row['difference']), key)} {more} than on {_against(row)} (by {wording.bare(row['value'], key)} "
        f"against {wording.number(row['expected'], key)}; siblings run from {wording.bare(row['sibling_low'], key)} to "
        f"{wording.bare(row['sibling_high'], key)}; {count_of(row['n_scans'], 'scan')}). It is about the change between states, not about "
        "how high the reading stands in either."
    )


def said(channel: str, difference: float | None) -> str:
    """Return a few words for a cell told as part of another matter."""
    if channel == "spread":
        return "is unsteadier within a scan" if (difference or 0) > 0 else "is steadier within a scan"
    return "goes further between states" if (difference or 0) > 0 else "goes less far between states"


def rivals(row: Row) -> tuple[str, ...]:
    """Return what else could be behind it."""
    if row["channel"] == "step":
        return (
            "The level in the first of the two states is what is off",
            "The states were held for less long, or less steadily, than on the siblings",
        )
    if row["difference"] > 0:
        return (
            "A loose connector, a worn sensor, or an engine that hunts",
            "Scanned while the engine was less settled, or for longer, than the siblings",
        )
    return (
        "A reading that sticks, or is smoothed by the control unit",
        "Scanned for a shorter time than the siblings",
    )


def next_check(row: Row) -> str:
    """Return the cheapest check."""
    name, state = wording.reading_name(row["parameter"]), wording.state_name(row["state"])
    if row["channel"] == "step":
        before = wording.state_name(_before()[row["state"]])
        return (
            f"Read {name} on van {row['van']} and on one sibling with the same reader, half a minute at {before} and half a "
            f"minute at {state}, and compare the two steps."
        )
    return (
        f"Log {name} on van {row['van']} and on one sibling for two minutes at {state} with the same reader; if it is the "
        "van, look at connector and wiring with the engine off."
    )
