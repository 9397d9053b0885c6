"""Labels into readings and given units into each reading's own: canonical = given * factor + shift.

Labels and units repeat: every different pair is looked up once and joined to the rows.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline import vocabulary
from pipeline.errors import nearest
from pipeline.normalise.questions import Answers, Question
from pipeline.normalise.text import clean_names, is_missing_word

MOST_HINTS = 200
MEANING_SCHEMA: dict[str, pl.DataType] = {
    "label": pl.String(),
    "unit": pl.String(),
    "parameter": pl.String(),
    "factor": pl.Float64(),
    "shift": pl.Float64(),
    "plausible_low": pl.Float64(),
    "plausible_high": pl.Float64(),
    "sentinels": pl.List(pl.Float64),
    "fault_column": pl.String(),
    "reason": pl.String(),
    "remedy": pl.String(),
}
SENTINEL_TOLERANCE = 1e-6


@dataclass(frozen=True)
class Meanings:
    """What every pair of label and unit means: a table as `MEANING_SCHEMA`, and what has to be asked.

    The table also has `unit_given`, the unit as it is kept beside the value.
    """

    table: pl.DataFrame
    questions: tuple[Question, ...]


@cache
def _labels() -> dict[str, str]:
    rows = vocabulary.tables()["parameter_names"].to_pylist()
    return {r["label_folded"]: r["parameter"] for r in rows}


@cache
def _ambiguous() -> dict[str, tuple[str, str]]:
    rows = vocabulary.tables()["ambiguous_labels"].to_pylist()
    return {r["label_folded"]: (r["candidates"], r["decide_by"]) for r in rows}


@cache
def _spellings() -> dict[tuple[str, str], tuple[float, float]]:
    rows = vocabulary.tables()["unit_spellings"].to_pylist()
    return {(r["parameter"], r["spelling_folded"]): (r["factor"], r["shift"]) for r in rows}


@cache
def _keys() -> dict[str, vocabulary.Parameter]:
    return {p.key: p for p in vocabulary.parameters()}


def find_parameter(label: str, answers: Answers | None = None) -> str | Question | None:
    """Look up a label: its key, a question where it has several meanings, None where it is unknown.

    A key as it stands is never ambiguous; labels with several meanings outrank aliases.
    """
    bare = label.strip()
    if bare in _keys():
        return bare
    folded = vocabulary.fold(bare)
    if answers is not None and folded in answers.labels:
        return answers.labels[folded]
    if folded in _ambiguous():
        candidates, decide_by = _ambiguous()[folded]
        choices = tuple(c for c in candidates.split(";") if c in _keys())
        asks = f"{bare!r} may mean {candidates.replace(';', ' or ')}; decide by: {decide_by}. Which is it?"
        return Question("label", folded, asks, choices)
    return _labels().get(folded)


def convert_unit(parameter: str, unit: str, answers: Answers | None = None) -> tuple[float, float] | None:
    """Return factor and shift from a unit to the parameter's own; None where the unit does not fit it.

    An empty unit is the parameter's own.
    """
    if is_missing_word(unit):
        return 1.0, 0.0
    folded = vocabulary.fold_unit(unit)
    found = _spellings().get((parameter, folded))
    if found is None and answers is not None:
        meant = answers.units.get(f"{parameter} {folded}")
        found = _spellings().get((parameter, vocabulary.fold_unit(meant))) if meant else None
    return found


def known_units(parameter: str) -> tuple[str, ...]:
    """Return the units a parameter may be given in, its own first."""
    own = _keys()[parameter]
    rest = [u for u in own.alternative_units if convert_unit(parameter, u) is not None]
    return tuple(dict.fromkeys([own.unit, *rest]))


def resolve_meanings(pairs: pl.DataFrame, answers: Answers, *, asks_units: bool = False) -> Meanings:
    """Look up every different pair of label and unit.

    Parameters
    ----------
    pairs : pl.DataFrame
        Columns `label` and `unit`, each pair once; an empty unit is the reading's own.
    answers : Answers
        What was asked and answered before.
    asks_units : bool
        Whether an unknown unit is asked about (exports with a layout) instead of refused (tidy files).
    """
    rows: list[tuple[object, ...]] = []
    questions: dict[tuple[str, str], Question] = {}
    for number, (label, unit) in enumerate(pairs.select("label", "unit").iter_rows()):
        row, question = _resolve(label, unit, answers, asks_units=asks_units, hints=number < MOST_HINTS)
        rows.append(row)
        if question is not None:
            questions[question.kind, question.subject] = question
    table = pl.DataFrame(rows, schema=MEANING_SCHEMA, orient="row")
    return Meanings(
        table.with_columns(clean_names(table["unit"]).alias("unit_given")), tuple(questions.values())
    )


def _resolve(
    label: str, unit: str, answers: Answers, *, asks_units: bool, hints: bool
) -> tuple[tuple[object, ...], Question | None]:
    found = find_parameter(label, answers)
    nothing = (None, None, None, None, None, None)
    if isinstance(found, Question):
        return (label, unit, *nothing, "parameter", found.asks, "Answer the question and load again."), found
    if found is None:
        return (
            label,
            unit,
            *nothing,
            "parameter",
            "No reading of that name is known",
            _name_hint(label, hints),
        ), None
    turned = convert_unit(found, unit, answers)
    if turned is None:
        reason = f"The unit does not fit {found}, which is kept in {_keys()[found].unit}"
        question = None
        if asks_units and not is_gauge(unit):
            asks = f"Which unit of {found} does {unit.strip()!r} mean?"
            question = Question("unit", f"{found} {vocabulary.fold_unit(unit)}", asks, known_units(found))
        return (label, unit, *nothing, "unit", reason, _unit_hint(found, unit, hints)), question
    own = _keys()[found]
    return (
        label, unit, found, *turned, own.plausible_low, own.plausible_high, list(own.sentinels), None, None, None,
    ), None  # fmt: skip


def _name_hint(label: str, hints: bool) -> str:
    """Name the nearest reading, unless so many labels are unknown that nobody would read it."""
    advice = "See docs/readings.md for the names."
    if not hints or len(label) > 100:
        return advice
    near = nearest(label.strip(), _keys())
    if near is None:
        close = nearest(vocabulary.fold(label), _labels())
        near = _labels()[close] if close else None
    return f"Did you mean {near}? {advice}" if near else advice


def is_gauge(unit: str) -> bool:
    """Say whether a unit means pressure above the barometer's: no factor turns it into an absolute one."""
    return (
        re.search(r"^(?:psi|m?bar|kpa)(?:[ _]?\(?g(?:auge)?\)?|[ _]?\(?rel\.?\)?)$", unit.strip().casefold())
        is not None
    )


def _unit_hint(parameter: str, unit: str, hints: bool) -> str:
    if is_gauge(unit):
        return "This is gauge pressure: give absolute pressure, or name the reading boost_gauge and its unit without the g."
    units = known_units(parameter)
    near = nearest(unit.strip(), units) if hints and len(unit) <= 40 else None
    listed = f"Give {parameter} in {', '.join(units)}."
    return f"Did you mean {near}? {listed}" if near else listed


def convert(given: pl.Expr) -> pl.Expr:
    """Return a value in the reading's own unit; needs the columns `factor` and `shift`."""
    return given * pl.col("factor") + pl.col("shift")


def is_sentinel(value: pl.Expr) -> pl.Expr:
    """Say whether a canonical value is one that readers send for "not available"; needs `sentinels`."""
    places = range(max((len(p.sentinels) for p in vocabulary.parameters()), default=0))
    found = [pl.col("sentinels").list.get(i, null_on_oob=True) for i in places]
    return pl.any_horizontal(
        [
            ((value - s).abs() <= SENTINEL_TOLERANCE * pl.max_horizontal(s.abs(), pl.lit(1.0))).fill_null(
                value=False
            )
            for s in found
        ]
    )


def quality(value: pl.Expr) -> pl.Expr:
    """Return `sentinel`, `implausible` (outside the plausible range; kept, never scored) or `ok`."""
    inside = value.is_between(pl.col("plausible_low"), pl.col("plausible_high"))
    return (
        pl.when(is_sentinel(value))
        .then(pl.lit("sentinel"))
        .when(inside)
        .then(pl.lit("ok"))
        .otherwise(pl.lit("implausible"))
    )
