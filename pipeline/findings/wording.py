"""Claims, rivals and next checks in a mechanic's words; every number with its n."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from importlib.resources import files

from pipeline import vocabulary

REASON_TO_LOOK = "A difference is a reason to look, not a diagnosis."


@cache
def _next_checks() -> dict[str, dict[str, str]]:
    return tomllib.loads(files("pipeline.findings").joinpath("next_checks.toml").read_text(encoding="utf-8"))


@cache
def _state_names() -> dict[str, str]:
    return {s.key: s.name for s in vocabulary.states()}


def state_name(state: str | None) -> str:
    """Return a state in plain words."""
    return _state_names().get(state or "", (state or "").replace("_", " "))


def decimals(resolution: float) -> int:
    """Return how many decimals are honest for a reading of this resolution."""
    for places in range(4):
        if resolution >= 0.99 * 10**-places:
            return max(places, 1) if resolution < 5 else 0
    return 3


def number(value: float, parameter: str) -> str:
    """Return a value in the reading's own unit, rounded to what its resolution allows."""
    return f"{bare(value, parameter)}{unit_of(parameter)}"


def bare(value: float, parameter: str, *, signed: bool = False) -> str:
    """Return a value without its unit."""
    text = f"{value:{'+' if signed else ''},.{decimals(vocabulary.parameter(parameter).resolution)}f}"
    return text if text.strip("+-0.,") else text.lstrip("+-")  # never a zero with a sign


def unit_of(parameter: str) -> str:
    """Return a reading's unit after a space; nothing for a bare number."""
    unit = vocabulary.parameter(parameter).unit
    return "" if unit in ("1", "count") else f" {unit}"


def percent(share: float) -> str:
    """Return a share of 1 in whole per cent."""
    return f"{100 * share:.0f} %"


def percents(low: float, high: float) -> str:
    """Return two shares of 1 as an interval in whole per cent."""
    return f"{100 * low:.0f} to {percent(high)}"


def day(moment: datetime | str) -> str:
    """Return the day of a UTC time, given as such or as ISO 8601, as in "30 Sep 2026"."""
    return f"{_moment(moment):%d %b %Y}"


def month(moment: datetime | str) -> str:
    """Return the month of a UTC time, given as such or as ISO 8601, as in "Sep 2026"."""
    return f"{_moment(moment):%b %Y}"


def _moment(moment: datetime | str) -> datetime:
    return datetime.fromisoformat(moment) if isinstance(moment, str) else moment


def reading_name(parameter: str) -> str:
    """Return a reading's name as it stands inside a sentence."""
    name = vocabulary.parameter(parameter).name.split(" (")[0]
    return name if name[:2].isupper() else name[0].lower() + name[1:]


def next_check(parameter: str, difference: float, van: str) -> str:
    """Return the cheapest check for a reading that stands high or low.

    Where none is listed, the general one: read again beside one sibling with another reader.
    """
    side = "high" if difference > 0 else "low"
    listed = _next_checks().get(parameter, {}).get(side)
    return listed or f"Read van {van} and one sibling again in the same state, with another reader."


def cautions_of(parameter: str | None, state: str | None) -> tuple[str, ...]:
    """Return the caution lines for checking this reading in this state."""
    texts = {c.key: c.text for c in vocabulary.cautions()}
    pairs = vocabulary.tables()["parameter_cautions"].to_pylist()
    keys = [pair["caution_id"] for pair in pairs if pair["parameter"] == parameter]
    if state in ("cold_idle", "warm_idle", "hot_idle", "raised_idle", "warming_idle"):
        keys += ["SC03", "SC04"]
    if state in ("steady_cruise", "acceleration", "overrun"):
        keys += ["SC07"]
    return tuple(texts[key] for key in dict.fromkeys(keys))


def joined(rivals: tuple[str, ...]) -> tuple[str, ...]:
    """Return explanations without their full stops, so that any list can join them."""
    return tuple(r.removesuffix(".") for r in rivals if r)


def listed(names: Sequence[str]) -> str:
    """Return names as they stand in a sentence: "a", "a and b", "a, b and c"."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def ratio(value: float) -> str:
    """Return a ratio in two figures, without an exponent."""
    return f"{value:,.0f}" if value >= 10 else f"{value:.2g}"
