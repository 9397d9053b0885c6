"""The vocabulary's data files as frozen records."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from pipeline.errors import KinbayError, nearest


def read_text(name: str) -> str:
    """Read one data file of the vocabulary."""
    return files("pipeline.vocabulary").joinpath(name).read_text(encoding="utf-8")


@dataclass(frozen=True)
class Parameter:
    """One reading: what it is called, its canonical unit and what is plausible.

    `role` is health (scored), context (finds the state) or counter. `resolution` is one count of
    the usual scaling and `smallest_useful` the smallest difference worth a look, both in `unit`.
    """

    key: str
    name: str
    unit: str
    role: str
    resolution: float
    smallest_useful: float | None
    plausible_low: float
    plausible_high: float
    sentinels: tuple[float, ...]
    usual_states: tuple[str, ...]
    comparable_across_models: bool
    meaning_high: str
    meaning_low: str
    aliases: dict[str, tuple[str, ...]]
    abbreviation: str
    alternative_units: dict[str, tuple[float, float]]
    source: str


@dataclass(frozen=True)
class State:
    """One operating state; only comparable ones are compared between vans."""

    key: str
    name: str
    order: int
    is_comparable: bool
    caution: str | None
    rules: tuple[tuple[dict[str, Any], ...], ...]


@dataclass(frozen=True)
class Caution:
    """One caution line, to be shown whenever its subject comes up."""

    key: str
    when: str
    text: str
    source: str


def _abbreviation(term: str) -> str:
    """The standard's abbreviation; a lamp's name is no reading's, and remarks in brackets are no names."""
    return "" if term.startswith(("(", "MIL")) or " / " in term else term


def _parameter(row: dict[str, Any]) -> Parameter:
    low, high = row["plausible_range"]
    units = {u: (float(c[0]), float(c[1])) for u, c in row["alt_units"].items() if c is not None}
    return Parameter(
        key=row["key"],
        name=row["name"],
        unit=row["unit"],
        role=row["role"],
        resolution=float(row["resolution"]),
        smallest_useful=None if row["smallest_useful"] is None else float(row["smallest_useful"]),
        plausible_low=float(low),
        plausible_high=float(high),
        sentinels=tuple(float(s) for s in row["sentinels"]),
        usual_states=tuple(row["usual_states"]),
        comparable_across_models=bool(row["comparable_across_models"]),
        meaning_high=row["meaning_high"],
        meaning_low=row["meaning_low"],
        aliases={language: tuple(names) for language, names in row["aliases"].items()},
        abbreviation=_abbreviation(row.get("sae_term", "")),
        alternative_units=units,
        source=row["source"],
    )


@cache
def parameters() -> tuple[Parameter, ...]:
    """Return every reading of the vocabulary, in the order of the data file."""
    return tuple(_parameter(row) for row in json.loads(read_text("parameters.json"))["parameters"])


@cache
def _by_key() -> dict[str, Parameter]:
    return {p.key: p for p in parameters()}


def parameter(key: str) -> Parameter:
    """Return the reading with this key.

    Raises
    ------
    KinbayError
        Where there is none; the nearest key is named.
    """
    found = _by_key().get(key)
    if found is None:
        hint = nearest(key, _by_key())
        raise KinbayError(
            f"There is no reading called {key!r}",
            remedy=f"Did you mean {hint}?" if hint else "See docs/readings.md.",
        )
    return found


@cache
def states() -> tuple[State, ...]:
    """Return the operating states in the order in which their rules are tried."""
    found = tomllib.loads(read_text("operating_states.toml"))["state"]
    return tuple(
        State(
            key=row["key"],
            name=row["name"],
            order=order,
            is_comparable=row["comparable"],
            caution=row.get("caution"),
            rules=tuple(tuple(rule) for rule in row.get("rules", [])),
        )
        for order, row in enumerate(found)
    )


@cache
def cautions() -> tuple[Caution, ...]:
    """Return the workshop's caution lines, then those of the comparison itself."""
    data = json.loads(read_text("cautions.json"))
    workshop = [Caution(c["id"], c["when"], c["text"], c["source"]) for c in data["workshop"]]
    comparison = [
        Caution(c["id"], "comparing", c["text"], c["check"] or "arithmetic") for c in data["statistics"]
    ]
    return tuple(workshop + comparison)
