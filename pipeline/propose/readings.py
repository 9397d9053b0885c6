"""Columns and labels into readings with their units; what name or unit leave open is asked."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline import vocabulary
from pipeline.normalise.questions import Question
from pipeline.normalise.text import is_missing_word
from pipeline.normalise.units import convert_unit, is_gauge, known_units
from pipeline.propose.asking import NONE_OF_THESE, Asking
from pipeline.propose.columns import Column
from pipeline.propose.names import suggestions, take_apart
from pipeline.propose.roles import is_unit_needed
from pipeline.propose.structure import Structure
from pipeline.propose.told import NOT_TAKEN, WHY_NOT, note_told, told_of

MOST_LABELS = 300
PLAUSIBLE_SHARE = 0.9
_PID = re.compile(r"^(?:0x)?(?:01 ?)?([0-9A-Fa-f]{2})$")
_BYTES = re.compile(r"^(?:[0-9A-Fa-f]{2})(?: ?[0-9A-Fa-f]{2})*$")


@dataclass(frozen=True)
class Mapped:
    """A column and the reading it holds; not settled while a question about it is open."""

    column: Column
    parameter: str | None
    unit: str | None
    how: str
    is_settled: bool
    suggestions: tuple[str, ...] = ()


@dataclass
class Labels:
    """What the labels of a long file are."""

    labels: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    mapping: list[dict[str, Any]] = field(default_factory=list)
    not_taken: list[str] = field(default_factory=list)
    has_pids: bool = False
    has_bytes: bool = False


def map_readings(
    columns: Sequence[Column], unit_row: Sequence[str], asking: Asking, decimal: str, thousands: str
) -> list[Mapped]:
    """Find the reading and the unit of every column of a wide file."""
    found = []
    for column in columns:
        is_told = told_of(asking.answers, column.key) is not None
        if column.stands_twice and not is_told and not _is_meant(column, asking):
            continue
        parameter, how, near = _parameter(
            column.name.found, column.key, column.name.bare, asking, _plain(column, decimal, thousands)
        )
        if parameter is None:
            found.append(Mapped(column, None, None, how, is_settled=False, suggestions=near))
            continue
        row = unit_row[column.index].strip("[]() ") if column.index < len(unit_row) else ""
        stated = next(iter(column.glued), "") or row or (column.name.unit or "")
        unit, told = settle_unit(parameter, stated, column.key, asking, _plain(column, decimal, thousands))
        found.append(Mapped(column, parameter, unit, f"{how}, {told}", is_settled=unit is not None))
    return _once(found)


def _is_meant(column: Column, asking: Asking) -> bool:
    """A name that stands twice: the person says which of the two counts."""
    base, number = column.key.rsplit("#", 1)
    answer = asking.ask(
        "twice",
        base,
        f"The column {base!r} stands more than once. Which of them counts, from the left?",
        ("1", "2", "3"),
    )
    return answer == number


def _once(found: list[Mapped]) -> list[Mapped]:
    """Two columns of one reading would be told apart by nothing: the second is left out."""
    seen: set[str] = set()
    kept = []
    for one in found:
        if one.is_settled and one.parameter in seen:
            one = Mapped(
                one.column,
                one.parameter,
                one.unit,
                "another column already gives this reading",
                is_settled=False,
            )
        elif one.is_settled and one.parameter:
            seen.add(one.parameter)
        kept.append(one)
    return kept


def _plain(column: Column, decimal: str, thousands: str) -> list[float]:
    """The column's numbers, for the order of choices alone."""
    values = []
    for text in column.numbers[:2000]:
        bare = (
            text.replace("−", "-")
            .replace(thousands or " ", "")
            .replace("\u00a0", "")
            .replace("\u202f", "")
            .replace(" ", "")
        )
        try:
            values.append(float(bare.replace(decimal, ".")))
        except ValueError:
            continue
    return values


def _parameter(
    found: str | Question | None, key: str, bare: str, asking: Asking, values: Sequence[float]
) -> tuple[str | None, str, tuple[str, ...]]:
    """The reading of a name, asked where it has several meanings or is only nearly known."""
    if isinstance(found, str):
        return found, "name", ()
    if isinstance(found, Question):
        choices = _fitting_first(found.choices, values)
        answer = asking.ask("column_label", key, found.asks, (*choices, NONE_OF_THESE))
        return (answer if answer != NONE_OF_THESE else None), "answer" if answer else "asked", choices
    near = tuple(suggestions(bare))
    if not near:
        return None, "no name that is known", ()
    answer = asking.ask("column_label", key, f"Which reading is {bare!r}?", (*near, NONE_OF_THESE))
    return (answer if answer != NONE_OF_THESE else None), "answer" if answer else "asked", near


def _fitting_first(choices: Sequence[str], values: Sequence[float]) -> tuple[str, ...]:
    """Choices in whose plausible range, in any of their units, most values lie come first; only an order."""
    return tuple(sorted(choices, key=lambda key: -max(_share(key, u, values) for u in known_units(key))))


def _share(parameter: str, unit: str, values: Sequence[float]) -> float:
    turned = convert_unit(parameter, unit)
    if not values or turned is None:
        return 0.0
    known = vocabulary.parameter(parameter)
    inside = [known.plausible_low <= v * turned[0] + turned[1] <= known.plausible_high for v in values]
    return sum(inside) / len(inside)


def settle_unit(
    parameter: str, stated: str, subject: str, asking: Asking, values: Sequence[float]
) -> tuple[str | None, str]:
    """Return the unit and where it was told; asked where the file is silent or its word is not known."""
    if stated and not is_missing_word(stated):
        if vocabulary.parameter(parameter).unit == "%" and _may_be_fraction(values):
            return _per_cent_or_fraction(subject, stated, asking, values)
        if convert_unit(parameter, stated) is not None:
            return stated, "unit beside it"
        if is_gauge(stated):
            return None, "gauge pressure, which no factor turns into absolute pressure"
        asks = f"Which unit of {parameter} does {stated!r} in {subject!r} mean?"
    elif not is_unit_needed(parameter):
        return vocabulary.parameter(parameter).unit, "only one unit is usual"
    else:
        shown = f" Values run from {min(values):g} to {max(values):g}." if values else ""
        asks = f"The file gives no unit for {subject!r} ({parameter}).{shown} Which is it?"
    units = known_units(parameter)
    if vocabulary.parameter(parameter).unit == "%":
        units = (*units, "fraction")
    fitting = sorted(units, key=lambda u: -_share(parameter, u, values))
    likely = [u for u in fitting if _share(parameter, u, values) >= PLAUSIBLE_SHARE] or fitting
    answer = asking.ask("column_unit", subject, asks, tuple(dict.fromkeys([*likely, *units])))
    return answer, "answer" if answer else "asked"


def _may_be_fraction(values: Sequence[float]) -> bool:
    """A spreadsheet keeps 25 % as 0.25: all values from 0 to 1, and some between."""
    return bool(values) and all(0 <= v <= 1 for v in values) and any(0 < v < 1 for v in values)


def _per_cent_or_fraction(
    subject: str, stated: str, asking: Asking, values: Sequence[float]
) -> tuple[str | None, str]:
    if vocabulary.fold_unit(stated) != "%":
        return stated, "unit beside it"
    asks = f"The values of {subject!r} run from {min(values):g} to {max(values):g}. Are they per cent, or fractions of one?"
    answer = asking.ask("column_unit", subject, asks, ("%", "fraction"))
    return answer, "answer" if answer else "asked"


def map_labels(structure: Structure, fields: Mapping[str, Column], asking: Asking) -> Labels:
    """Find the readings of the labels of a long file, and the units of those that come without one."""
    found = Labels()
    label_at, value_at = fields["parameter"].index, fields["value"].index
    unit_at = fields["unit"].index if "unit" in fields else None
    rows = [
        (r[label_at].strip(), r[value_at].strip(), r[unit_at].strip() if unit_at is not None else "")
        for r in structure.body
    ]
    rows = [r for r in rows if r[0] and not is_missing_word(r[1])]
    labels = list(dict.fromkeys(r[0] for r in rows))[:MOST_LABELS]
    found.has_pids = bool(labels) and sum(bool(_PID.match(x)) for x in labels) > 0.6 * len(labels)
    is_hex = all(_BYTES.match(r[1]) for r in rows)
    found.has_bytes = (
        found.has_pids and bool(rows) and is_hex and any(re.search("[A-Fa-f ]", r[1]) for r in rows)
    )
    if found.has_pids and not found.has_bytes and is_hex:
        answer = asking.ask(
            "bytes",
            "bytes",
            f"Are values such as {rows[0][1]!r} numbers, or bytes in hexadecimal?",
            ("numbers", "bytes"),
        )
        found.has_bytes = answer == "bytes"
    for label in labels:
        _map_label(label, [r for r in rows if r[0] == label], found, asking)
    return found


def _map_label(label: str, rows: list[tuple[str, str, str]], found: Labels, asking: Asking) -> None:
    name = take_apart(label)
    told = note_told(asking, label)
    if told == NOT_TAKEN:
        found.not_taken.append(label)
    pid = _PID.match(label) if found.has_pids else None
    known = vocabulary.by_pid().get(pid[1].upper()) if pid and told is None else None
    parameter, how, near = (
        (known.key, "standard identifier", ())
        if known
        else (told if told != NOT_TAKEN else None, WHY_NOT, ())
        if told is not None
        else _parameter(name.found, label, name.bare, asking, [])
    )
    confidence = (
        "asked" if parameter is None and how == "asked" else "left out" if parameter is None else "certain"
    )
    unit = next((r[2] for r in rows if r[2]), None)
    if (parameter and not known and name.found != parameter) or (
        parameter and name.bare != label and not known
    ):
        found.labels[label] = parameter
    if parameter and not unit and not found.has_bytes and not _has_glued_unit(rows):
        unit, told = settle_unit(parameter, name.unit or "", label, asking, _floats(rows))
        how, confidence = f"{how}, {told}", confidence if unit else "asked"
        if unit:
            found.units[label] = unit
    found.mapping.append(
        {
            "column": label,
            "parameter": parameter,
            "field": None,
            "unit": unit,
            "how": how,
            "confidence": confidence,
            "suggestions": list(near),
            "examples": list(dict.fromkeys(r[1] for r in rows))[:3],
        }
    )


def _has_glued_unit(rows: list[tuple[str, str, str]]) -> bool:
    return any(re.search(r"\d\s*[^\d\s.,'+\-]+$", r[1]) for r in rows)


def _floats(rows: list[tuple[str, str, str]]) -> list[float]:
    values = []
    for _, text, _ in rows:
        try:
            values.append(float(text.replace(",", ".")))
        except ValueError:
            continue
    return values
