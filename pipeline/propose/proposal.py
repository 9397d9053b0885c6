"""A layout proposed for a file: what is certain is written down, what is not is asked, once."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline import vocabulary
from pipeline.errors import KinbayError
from pipeline.normalise.questions import Question
from pipeline.propose.asking import AS_DECIMAL, AS_THOUSANDS, Asking, Key
from pipeline.propose.columns import CODE, Column, find_columns
from pipeline.propose.grid import Grid, read_grids
from pipeline.propose.numbers import Marks, find_marks
from pipeline.propose.preamble import Fact, find_facts
from pipeline.propose.readings import Mapped, map_labels, map_readings
from pipeline.propose.roles import Roles, find_roles
from pipeline.propose.structure import Structure, find_structure
from pipeline.propose.times import ORDERS
from pipeline.propose.writing import to_toml
from pipeline.read.layouts import Layout
from pipeline.read.recognise import lacking
from pipeline.read.sources import Source

MOST_MATCH_HEADERS = 12


@dataclass(frozen=True)
class Proposal:
    """What a file was found to be.

    Parameters
    ----------
    file : str
        The file as a person knows it.
    toml : str
        The layout proposed.
    table : dict
        The same as an object.
    layout : Layout or None
        The same, usable; None where questions leave nothing to read.
    mapping : list of dict
        One entry per column or label: what it is taken for and how sure that is.
    questions : tuple of Question
        What has to be answered before the layout can be used.
    facts : tuple of Question
        What has to be told about every single file of the kind, such as its van.
    answered : tuple of Question
        What was asked and has its answer.
    """

    file: str
    toml: str
    table: dict[str, Any]
    layout: Layout | None
    mapping: list[dict[str, Any]]
    questions: tuple[Question, ...]
    facts: tuple[Question, ...] = ()
    answered: tuple[Question, ...] = ()

    @property
    def name(self) -> str:
        """The layout's name."""
        return str(self.table["name"])

    @property
    def is_complete(self) -> bool:
        """Whether the layout can be used as it stands."""
        return self.layout is not None and not self.questions


@dataclass
class _Draft:
    """The layout while it is put together."""

    source: Source
    grid: Grid
    structure: Structure
    columns: list[Column]
    roles: Roles
    asking: Asking
    facts: list[Fact] = field(default_factory=list)
    mapping: list[dict[str, Any]] = field(default_factory=list)
    used: list[str] = field(default_factory=list)


def propose(
    source: Source,
    answers: Mapping[Key, str] | None = None,
    name: str | None = None,
    taken_names: Iterable[str] = (),
) -> Proposal:
    """Look at a file and propose a layout.

    Parameters
    ----------
    source : Source
        The file; only its first rows are looked at.
    answers : mapping, optional
        Answers to questions of an earlier proposal, by kind and subject.
    name : str, optional
        What to call the layout; else by the file's name.
    taken_names : iterable of str
        Names that are taken.

    Raises
    ------
    KinbayError
        Where the file cannot be read, or nothing in it is known.
    """
    draft = _look(source, Asking(answers or {}))
    marks = _marks(draft)
    table: dict[str, Any] = {"name": name or _name(draft, set(taken_names)), "title": _title(source)}
    table["feeds"] = draft.roles.feeds
    table["match"] = {}
    table["file"] = _file_table(draft, marks)
    table["time"] = _time_table(draft)
    table["constants"], table["preamble"], table["file_name"] = {}, {}, {}
    for fact in draft.facts:
        column = fact.column
        if column.startswith("odometer") and not fact.has_unit:
            column = _odometer("", fact.label, fact.label, draft) or ""
        if column:
            table["preamble"][column] = fact.pattern
    table["skip"] = [
        {"column": draft.structure.header[i], "words": words} for i, words in _totals(draft.structure)
    ]
    table["columns"] = _field_columns(draft)
    _codes_tables(draft, table)
    _reading_tables(draft, table)
    _file_name_day(draft, table)
    _reader(draft, table)
    table["match"] = {"headers": list(dict.fromkeys(draft.used))[:MOST_MATCH_HEADERS]}
    return _finish(draft, table)


def _look(source: Source, asking: Asking) -> _Draft:
    """The table of the file in which most is known."""
    best: tuple[int, _Draft] | None = None
    first: KinbayError | None = None
    for grid in read_grids(source):
        try:
            structure = find_structure(grid)
        except KinbayError as fault:
            first = first or fault
            continue
        columns = find_columns(structure)
        roles = find_roles(columns)
        known = len(roles.fields) + len(roles.readings) + (100 if roles.kind != "none" else 0)
        if best is None or known > best[0]:
            best = known, _Draft(source, grid, structure, columns, roles, asking)
    if best is None:
        raise first or KinbayError("The file holds no rows", source.name, "Give a file with rows.")
    draft = best[1]
    if draft.roles.kind == "none":
        named = ", ".join(c.name.cell.strip() for c in draft.columns[:12])
        raise KinbayError(
            f"No column of the file is known: {named}",
            source.name,
            "Name the columns as docs/readings.md does, or write a layout (pipeline/layouts/README.md).",
        )
    draft.facts = _useful_facts(draft)
    return draft


def _useful_facts(draft: _Draft) -> list[Fact]:
    mark = str(draft.grid.file.get("delimiter", ",")) if draft.grid.lines else "\t"
    has_time = {"at", "scanned_at", "at_date"} & set(draft.roles.fields)
    found = []
    for fact in find_facts(draft.structure.preamble, mark):
        if fact.column in draft.roles.fields or draft.roles.kind in {"register", "work", "notes"}:
            continue
        if fact.times is not None and has_time:
            continue
        if fact.column == "at_date" and not {"at_time", "at_date"} & set(draft.roles.fields):
            fact = Fact("scanned_at", fact.pattern, fact.value, fact.label, fact.times)
        found.append(fact)
    return found


def _marks(draft: _Draft) -> Marks:
    """The number marks of the whole file; what can be read in two ways is asked."""
    roles = draft.roles
    columns = [
        *roles.readings,
        *(c for n, c in roles.fields.items() if n in {"value", "odometer_km", "low", "high", "cost"}),
    ]
    columns += [c for n, c in roles.fields.items() if n == "at_offset"]
    numbers = [n for c in columns for n in c.numbers]
    numbers += [f.value for f in draft.facts if f.column.startswith("odometer")]
    marks = find_marks(numbers)
    if marks.is_mixed:
        answer = draft.asking.ask(
            "decimal", "decimal", "The numbers are written in more than one way. What parts whole and fraction?",
            ("point", "comma"),
        )  # fmt: skip
        return Marks("," if answer == "comma" else ".", "." if answer == "comma" else ",")
    if marks.doubtful is None:
        return marks
    sign = "," if "," in marks.doubtful else "."
    answer = draft.asking.ask(
        "decimal", "decimal", f"Is the {'comma' if sign == ',' else 'point'} in {marks.doubtful!r} a decimal mark or does it part thousands?",
        (AS_DECIMAL, AS_THOUSANDS),
    )  # fmt: skip
    if answer == AS_THOUSANDS:
        return Marks("." if sign == "," else ",", sign)
    return Marks(sign, "")


def _file_table(draft: _Draft, marks: Marks) -> dict[str, Any]:
    table = dict(draft.grid.file)
    if marks.decimal == "." and marks.is_unseen and table.get("delimiter") == ";":
        table["decimal"] = ","  # a later 1.234 is then refused, where it would be read as a fraction
    if marks.decimal != ".":
        table["decimal"] = marks.decimal
    if marks.thousands:
        table["thousands"] = marks.thousands
    above = draft.structure.above
    blank = sum(not any(c.strip() for c in r) for r in draft.structure.preamble)
    if not draft.grid.is_keyed and above > blank:
        table["find_header"] = True
    if draft.structure.units:
        table["unit_row"] = True
    glued = sum(sum(c.glued.values()) for c in _valued(draft))
    if glued:
        table["units_in_cells"] = True
    if draft.structure.is_short:
        table["short_rows"] = True
    return table


def _valued(draft: _Draft) -> list[Column]:
    value = draft.roles.fields.get("value")
    return [*draft.roles.readings, *([value] if value else [])]


def _time_table(draft: _Draft) -> dict[str, Any]:
    """Formats in the one order that all dates of the file allow; asked where several do."""
    fields = draft.roles.fields
    columns = [c for n, c in fields.items() if n in {"at", "scanned_at", "at_date", "at_time", "in_service"}]
    told = [(c.key, c.times, c.filled[0] if c.filled else "") for c in columns if c.times is not None]
    told += [(f.label, f.times, f.value) for f in draft.facts if f.times is not None]
    dated = [(key, t, example) for key, t, example in told if t.shapes and t.kind in {"moment", "day"}]
    orders = [o for o in ORDERS if all(o in t.orders for _, t, _ in dated)]
    if dated and len(orders) != 1:
        key, _, example = dated[0]
        choices = tuple(ORDERS[o] for o in (orders or ORDERS))
        answer = draft.asking.ask(
            "date_order", "date_order", f"How is the date {example!r} in {key!r} to be read?", choices
        )
        orders = [o for o in ORDERS if ORDERS[o] == answer]
    formats = [f for _, t, _ in dated for o in orders for f in t.formats(o)]
    clocks = [shape[2] for _, t, _ in told if t.kind == "clock" for shape in t.shapes]
    days = [f for _, t, _ in dated if t.kind == "day" for o in orders for f in t.formats(o)]
    if clocks:
        formats += [f"{day} {clock}" for day in [*days, "%Y-%m-%d"] for clock in clocks]
    formats += [t.kind for _, t, _ in told if t.kind.startswith("epoch")]
    return {"formats": list(dict.fromkeys(formats))} if formats else {}


def _totals(structure: Structure) -> list[tuple[int, list[str]]]:
    by_column: dict[int, dict[str, None]] = {}
    for column, word in structure.totals:
        by_column.setdefault(column, {})[word] = None
    return [(column, list(words)) for column, words in by_column.items() if structure.header[column].strip()]


def _field_columns(draft: _Draft) -> dict[str, str]:
    """The tidy columns beside readings."""
    found: dict[str, str] = {}
    for target, column in draft.roles.fields.items():
        if target in {"parameter", "value", "unit", "low", "high", "mark"} and draft.roles.kind == "long":
            draft.used.append(column.name.cell)
            continue
        tidy = _tidy_column(target, column, draft)
        if tidy is None:
            draft.mapping.append(_entry(column.key, field=target, how="asked", confidence="asked"))
            continue
        found[column.key] = tidy
        draft.used.append(column.name.cell)
        draft.mapping.append(_entry(column.key, field=tidy, how="its name"))
    for key, why in draft.roles.left_out.items():
        draft.mapping.append(_entry(key, how=why, confidence="left out"))
    return found


def _tidy_column(target: str, column: Column, draft: _Draft) -> str | None:
    if target == "odometer_km":
        units = draft.structure.units or []
        row = units[column.index] if column.index < len(units) else ""
        return _odometer(
            next(iter(column.glued), "") or row or column.name.unit or "", column.name.bare, column.key, draft
        )
    if target == "at_date" and "at_time" not in draft.roles.fields and draft.roles.kind in {"work", "notes"}:
        return "at"
    if target == "at_offset":
        units = draft.structure.units or []
        row = units[column.index] if column.index < len(units) else ""
        unit = (column.name.unit or row).strip("[]() ").casefold()
        if unit in {"ms", "msec"}:
            return "at_offset_ms"
        if unit in {"s", "sec", "sek", "seg"} or column.name.bare.casefold() in {
            "seconds",
            "sekunden",
            "secondes",
            "segundos",
        }:
            return "at_offset_s"
        answer = draft.asking.ask(
            "time_unit", column.key, f"The column {column.key!r} counts up from {column.filled[0]}. In which unit?",
            ("seconds", "milliseconds"),
        )  # fmt: skip
        return {"seconds": "at_offset_s", "milliseconds": "at_offset_ms"}.get(answer or "")
    return target


def _odometer(unit: str, name: str, key: str, draft: _Draft) -> str | None:
    """Kilometres or miles: by the unit, else by a name that says kilometres, else asked."""
    bare = unit.strip("[]() ").casefold()
    if bare in {"mi", "miles", "mls"}:
        return "odometer_mi"
    if bare in {"km", "kms"} or (not bare and vocabulary.fold(name).startswith(("km", "kilom"))):
        return "odometer_km"
    answer = draft.asking.ask("column_unit", key, f"Does {key!r} count kilometres or miles?", ("km", "mi"))
    return {"km": "odometer_km", "mi": "odometer_mi"}.get(answer or "")


def _entry(column: str, **given: Any) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "column": column,
        "parameter": None,
        "field": None,
        "unit": None,
        "how": "",
        "confidence": "certain",
        "suggestions": [],
    }
    return entry | given


def _codes_tables(draft: _Draft, table: dict[str, Any]) -> None:
    column = draft.roles.fields.get("code")
    if column is None:
        return
    if column.code_mark:
        table["codes"] = {"split": column.code_mark}
    elif column.has_text_behind_code:
        table["extract"] = [{"column": column.key, "pattern": rf"(?i)^\s*(?P<code>{CODE})\W+(?P<text>.*)$"}]
        table["columns"].pop(column.key, None)


def _reading_tables(draft: _Draft, table: dict[str, Any]) -> None:
    fields = draft.roles.fields
    if draft.roles.kind == "wide":
        units = draft.structure.units or []
        mapped = map_readings(
            draft.roles.readings,
            units,
            draft.asking,
            str(table["file"].get("decimal", ".")),
            str(table["file"].get("thousands", "")),
        )
        table["wide"] = [_wide(m) for m in mapped if m.is_settled]
        draft.used += [m.column.name.cell for m in mapped if m.is_settled]
        draft.mapping += [_reading_entry(m) for m in mapped]
    elif draft.roles.kind == "long":
        long: dict[str, Any] = {
            n: fields[n].key for n in ("parameter", "value", "unit", "low", "high", "mark") if n in fields
        }
        found = map_labels(draft.structure, fields, draft.asking)
        long |= {k: v for k, v in (("pids", found.has_pids), ("bytes", found.has_bytes)) if v}
        long["labels"], long["units"] = found.labels, found.units
        table["long"] = long
        draft.mapping += found.mapping


def _wide(mapped: Mapped) -> dict[str, str]:
    entry = {"column": mapped.column.key, "parameter": str(mapped.parameter)}
    return entry | ({"unit": mapped.unit} if mapped.unit else {})


def _reading_entry(m: Mapped) -> dict[str, Any]:
    return _entry(
        m.column.key, parameter=m.parameter, unit=m.unit, how=m.how,
        confidence="certain" if m.is_settled else "asked" if m.how.endswith("asked") else "left out", suggestions=list(m.suggestions),
    )  # fmt: skip


def _file_name_day(draft: _Draft, table: dict[str, Any]) -> None:
    """A time of day whose day stands in the file's name."""
    targets = {*table["columns"].values(), *table["preamble"]}
    stem = Path(draft.source.name).name
    if "at_time" in targets and "at_date" not in targets and re.search(r"\d{4}-\d{2}-\d{2}", stem):
        table["file_name"]["at_date"] = r"(\d{4}-\d{2}-\d{2})"


def _reader(draft: _Draft, table: dict[str, Any]) -> None:
    """Which reader it was: from the file, else asked once for the kind of file."""
    if draft.roles.kind in {"register", "work", "notes"}:
        return
    if "reader" not in {*table["columns"].values(), *table["preamble"]}:
        answer = draft.asking.ask(
            "reader", "reader", "Which reader writes files of this kind? Give it a name."
        )
        if answer:
            table["constants"]["reader"] = answer


def _title(source: Source) -> str:
    return f"Proposed from {Path(source.name).name}"


def _name(draft: _Draft, taken: set[str]) -> str:
    stem = re.sub(r"[^a-z]+", "_", Path(draft.source.name).stem.casefold()).strip("_")[:40]
    if len(stem) < 3:
        stem = "export"
    base = stem
    if stem in taken:
        base = f"{stem}_{hashlib.sha256('|'.join(draft.structure.header).encode()).hexdigest()[:6]}"
    return base


def _finish(draft: _Draft, table: dict[str, Any]) -> Proposal:
    table = {k: v for k, v in table.items() if v}
    remarks = [f"Proposed from {draft.source.name}. Check it, then: kinbay layout FILE --accept"]
    remarks += [f"Asked: {q.asks}" for q in draft.asking.open]
    remarks += [
        f"Not taken: {m['column']} ({m['how']})" for m in draft.mapping if m["confidence"] == "left out"
    ]
    toml = to_toml(table, remarks)
    layout = None
    try:
        layout = Layout.model_validate(tomllib.loads(toml))
    except ValidationError:
        if not draft.asking.open:
            raise
    return Proposal(
        draft.source.name, toml, table, layout, draft.mapping, tuple(draft.asking.open),
        _facts(table), tuple(q for q in draft.asking.asked if q not in draft.asking.open),
    )  # fmt: skip


def _facts(table: Mapping[str, Any]) -> tuple[Question, ...]:
    """What every file of the kind has to be told about itself."""
    targets = {
        *table.get("columns", {}).values(),
        *table.get("preamble", {}),
        *table.get("constants", {}),
        *table.get("file_name", {}),
    }
    asks = {
        "van": "Which van is the file about?",
        "scanned_at": "When was the file recorded? Write it as 2026-03-02T07:40:00.",
        "at_date": "On which day was the file recorded? Write it as 2026-03-02.",
    }
    return tuple(
        Question("fact", c, asks[c], ()) for c in lacking(table["feeds"], targets | {"reader"}) if c in asks
    )
