"""Evidence rules for codes that low supply voltage explains, as data and as rows."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from functools import cache
from itertools import pairwise
from typing import Any

from pipeline.vocabulary.records import read_text

FILE = "low_voltage_rules.toml"


@cache
def rules() -> dict[str, Any]:
    """Return the whole data file: rule, verdict, limits, cranking_floor, principle."""
    return tomllib.loads(read_text(FILE))


def rule_rows() -> Iterable[tuple[str, int, str, str]]:
    """One row per rule: key, points, what it says, source."""
    return [(r["key"], int(r["points"]), r["says"], r["source"]) for r in rules()["rule"]]


def code_rows() -> Iterable[tuple[str, str]]:
    """One row per rule and beginning of a code."""
    return [(r["key"], prefix) for r in rules()["rule"] for prefix in r.get("codes", ())]


def verdict_rows() -> Iterable[tuple[str, int, str]]:
    """One row per verdict: key, least points, what it says."""
    return [(v["key"], int(v["min_points"]), v["says"]) for v in rules()["verdict"]]


def limit_rows() -> Iterable[tuple[str, float]]:
    """One row per threshold."""
    return [(key, float(value)) for key, value in rules()["limits"].items()]


def floor_rows() -> Iterable[tuple[float, float, float, float]]:
    """One row per piece of the cranking floor: from and to temperature (degrees Celsius), volts at both ends.

    Beyond its ends the line runs on level.
    """
    points = sorted((float(p["ambient_c"]), float(p["volts"])) for p in rules()["cranking_floor"])
    ends = [(-273.15, points[0][1]), *points, (1000.0, points[-1][1])]
    return [(a, b, va, vb) for (a, va), (b, vb) in pairwise(ends)]
