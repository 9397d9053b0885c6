"""The story as data: scenario.toml, levels.toml and readers.toml, checked key by key and frozen."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from pathlib import Path
from typing import Any, TypeVar

from demo_warehouse.story import (
    CodeHabit,
    Cohort,
    Companion,
    Depot,
    Disorder,
    Effect,
    ExposurePlan,
    Firm,
    Label,
    Level,
    Limit,
    Malformed,
    Model,
    Note,
    Parameter,
    Particular,
    Reader,
    SecondLook,
    Service,
    Silent,
    Storm,
    Work,
)

FOLDER = Path(__file__).parent
EXPECTATIONS = ("found", "may_be_missed", "must_not_be_accused")
T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Everything the generator knows before the first random number."""

    firm: Firm
    depots: tuple[Depot, ...]
    models: Mapping[str, Model]
    cohorts: tuple[Cohort, ...]
    particulars: Mapping[str, Particular]
    readers: Mapping[str, Reader]
    limits: tuple[Limit, ...]
    exposure: ExposurePlan
    effects: tuple[Effect, ...]
    codes: tuple[CodeHabit, ...]
    storm: Storm
    second_look: SecondLook
    silent: tuple[Silent, ...]
    work: tuple[Work, ...]
    service: Service
    notes: tuple[Note, ...]
    disorder: Disorder
    malformed: tuple[Malformed, ...]
    parameters: Mapping[str, Parameter]
    bench_parameters: tuple[str, ...]
    labels: Mapping[str, tuple[Label, ...]]

    def level(self, parameter: str, state: str, model: str) -> Level | None:
        """Return how `parameter` behaves in `state` on `model`; None where it is not read there."""
        own = self.parameters[parameter]
        base = own.states.get(state)
        if base is None or self.models[model].fuel not in own.fuels:
            return None
        change = self.models[model].override.get(parameter, {}).get(state, {})
        return Level(**{**vars(base), **change})

    def van_sd(self, parameter: str, state: str, model: str) -> float:
        """Return the sd between healthy siblings, that of the reading it follows included."""
        own = self.level(parameter, state, model)
        if own is None:
            raise KeyError(f"{parameter} is not read in {state} on {model}")
        leader = own.relative_to if own.relative_to in self.parameters else None
        return float((own.van_sd**2 + (self.van_sd(leader, state, model) ** 2 if leader else 0.0)) ** 0.5)

    def cohort_of(self, van: str) -> Cohort:
        """Return the cohort a van belongs to."""
        return next(c for c in self.cohorts if van in c.vans)

    def particular(self, van: str) -> Particular:
        """Return what sets `van` apart, or an ordinary van's nothing."""
        return self.particulars.get(van, Particular())


def _freeze(value: Any) -> Any:
    return tuple(_freeze(v) for v in value) if isinstance(value, list) else value


def _build(kind: type[T], row: Mapping[str, Any]) -> T:
    """Make a frozen record of a TOML table; an unknown or missing key is named."""
    known = {f.name: f for f in fields(kind)}  # type: ignore[arg-type]
    stray = sorted(set(row) - set(known))
    required = {n for n, f in known.items() if f.default is MISSING and f.default_factory is MISSING}
    absent = sorted(required - set(row))
    if stray or absent:
        raise ValueError(f"{kind.__name__}: unknown keys {stray}, missing keys {absent} in {dict(row)}")
    return kind(**{key: _freeze(value) for key, value in row.items()})


def _many(kind: type[T], rows: Sequence[Mapping[str, Any]]) -> tuple[T, ...]:
    return tuple(_build(kind, row) for row in rows)


def _effect(row: Mapping[str, Any]) -> Effect:
    effect = _build(Effect, {**row, "also": list(_many(Companion, row.get("also", [])))})
    if effect.expect not in EXPECTATIONS:
        raise ValueError(f"{effect.id}: expect is {effect.expect}, not one of {EXPECTATIONS}")
    return effect


def _parameters(tables: Mapping[str, Any]) -> dict[str, Parameter]:
    made = {}
    for key, table in tables.items():
        states = {name: _build(Level, sub) for name, sub in table.items() if isinstance(sub, dict)}
        plain = {name: _freeze(v) for name, v in table.items() if not isinstance(v, dict)}
        row = {"fuels": ("diesel", "petrol"), "formula": None, **plain, "key": key, "states": states}
        made[key] = _build(Parameter, row)
    return made


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / name).read_text(encoding="utf-8"))


def read_scenario() -> Scenario:
    """Read the three data files of this package.

    Raises
    ------
    ValueError
        Where a table has an unknown or a missing key; the table and the key are named.
    """
    story, labels = _read("scenario.toml"), _read("readers.toml")
    return Scenario(
        firm=_build(Firm, story["firm"]),
        depots=_many(Depot, story["depot"]),
        models={m.key: m for m in _many(Model, story["model"])},
        cohorts=_many(Cohort, story["cohort"]),
        particulars={van: _build(Particular, row) for van, row in story["van"].items()},
        readers={key: _build(Reader, row) for key, row in story["reader"].items()},
        limits=_many(Limit, story["limit"]),
        exposure=_build(ExposurePlan, story["exposure"]),
        effects=tuple(_effect(row) for row in story["effect"]),
        codes=_many(CodeHabit, story["code"]),
        storm=_build(Storm, story["storm"]),
        second_look=_build(SecondLook, story["second_look"]),
        silent=_many(Silent, story["silent"]),
        work=_many(Work, story["work"]),
        service=_build(Service, story["service"]),
        notes=_many(Note, story["note"]),
        disorder=_build(Disorder, story["disorder"]),
        malformed=_many(Malformed, story["malformed"]),
        parameters=_parameters(_read("levels.toml")),
        bench_parameters=tuple(labels["bench"]["parameters"]),
        labels={key: _many(Label, labels[key]) for key in ("handheld", "tablet")},
    )
