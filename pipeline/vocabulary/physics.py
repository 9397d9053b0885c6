"""Physical constants, readings worked out from others, and what readings are held against: data and rows."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any

from pipeline.vocabulary.records import read_text

FILE = "physics.toml"


@dataclass(frozen=True)
class WorkedOut:
    """How a reading is worked out from others of the same scan and operating state.

    `states` are those in which it is worked out, `silent` says when it is not.
    """

    parameter: str
    formula: str
    inputs: tuple[str, ...]
    states: tuple[str, ...]
    silent: str


@dataclass(frozen=True)
class UnitRatio:
    """A ratio that a mix-up of units leaves behind, in readings whose canonical unit is one of `units`."""

    ratio: float
    units: tuple[str, ...]
    says: str
    source: str


@dataclass(frozen=True)
class UnitTest:
    """How close to a ratio counts (relative), and what recirculation closed against open amounts to."""

    tolerance: float
    closed_over_open_from: float
    closed_over_open_to: float


@cache
def rules() -> dict[str, Any]:
    """Return the whole data file: constant, battery_charge, expectation, unit_ratio, unit_test, state_step."""
    return tomllib.loads(read_text(FILE))


@cache
def worked_out() -> tuple[WorkedOut, ...]:
    """Return every reading that the warehouse works out from others, in the order of the data file."""
    rows = json.loads(read_text("parameters.json"))["parameters"]
    return tuple(
        WorkedOut(
            parameter=row["key"],
            formula=row["worked_out"]["formula"],
            inputs=tuple(row["worked_out"]["inputs"]),
            states=tuple(row["worked_out"].get("states", row["usual_states"])),
            silent=row["worked_out"]["silent"],
        )
        for row in rows
        if "worked_out" in row
    )


@cache
def unit_ratios() -> tuple[UnitRatio, ...]:
    """Return the known ratios between units that are mixed up."""
    return tuple(
        UnitRatio(float(r["ratio"]), tuple(r["units"]), r["says"], r["source"]) for r in rules()["unit_ratio"]
    )


@cache
def unit_test() -> UnitTest:
    """Return how ratios are told."""
    return UnitTest(**{key: float(value) for key, value in rules()["unit_test"].items()})


def constant(key: str) -> float:
    """Return one constant, in the unit the data file names."""
    return float(rules()["constant"][key]["value"])


def constant_rows() -> Iterable[tuple[str, float, str, str]]:
    """One row per constant: key, value, unit, source."""
    return [(key, float(c["value"]), c["unit"], c["source"]) for key, c in rules()["constant"].items()]


def worked_out_rows() -> Iterable[tuple[str, str, str, str]]:
    """One row per reading worked out: key, formula, inputs, when silent."""
    return [(w.parameter, w.formula, "; ".join(w.inputs), w.silent) for w in worked_out()]


def worked_out_states() -> Iterable[tuple[str, str]]:
    """One row per reading worked out and operating state in which it is."""
    return [(w.parameter, state) for w in worked_out() for state in w.states]


def charge_rows() -> Iterable[tuple[float, float, float, float]]:
    """One row per piece of the charge table: from and to volts, per cent at both ends; level beyond its ends."""
    points = sorted((float(p["rest_v"]), float(p["charge_pct"])) for p in rules()["battery_charge"])
    ends = [(-1.0, points[0][1]), *points, (1000.0, points[-1][1])]
    return [(a, b, pa, pb) for (a, pa), (b, pb) in pairwise(ends)]


def expectation_rows() -> Iterable[tuple[str, str, str, float, float, str]]:
    """One row per reading that is held against another: by which, how, within what, in words."""
    return [
        (e["parameter"], e["by"], e["relation"], float(e["low"]), float(e["high"]), e["says"])
        for e in rules()["expectation"]
    ]


def fuel_rows() -> Iterable[tuple[str, str]]:
    """One row per word that a register's fuel may hold: word in lower case, diesel or petrol."""
    return [(word, fuel) for fuel, words in rules()["fuel_words"].items() for word in words]


def step_rows() -> Iterable[tuple[str, str]]:
    """One row per pair of states whose difference within a scan is compared."""
    return [(s["state"], s["from_state"]) for s in rules()["state_step"]]
