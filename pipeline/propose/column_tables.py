"""The tables of a proposed layout that say what the columns hold: tidy columns, codes, readings, the reader."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from pipeline import vocabulary
from pipeline.propose.columns import CODE, Column
from pipeline.propose.draft import Draft
from pipeline.propose.readings import Mapped, map_labels, map_readings

MOST_EXAMPLES = 3


def field_columns(draft: Draft) -> dict[str, str]:
    """The tidy columns beside readings."""
    found: dict[str, str] = {}
    for target, column in draft.roles.fields.items():
        if target in {"parameter", "value", "unit", "low", "high", "mark"} and draft.roles.kind == "long":
            draft.used.append(column.name.cell)
            draft.mapping.append(_entry(column.key, field=target, how="its name"))
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


def _tidy_column(target: str, column: Column, draft: Draft) -> str | None:
    if target == "odometer_km":
        units = draft.structure.units or []
        row = units[column.index] if column.index < len(units) else ""
        return odometer_column(
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


def odometer_column(unit: str, name: str, key: str, draft: Draft) -> str | None:
    """Kilometres or miles: by the unit, else by a name that says kilometres, else asked."""
    bare = unit.strip("[]() ").casefold()
    if bare in {"mi", "miles", "mls"}:
        return "odometer_mi"
    if bare in {"km", "kms"} or (not bare and vocabulary.fold(name).startswith(("km", "kilom"))):
        return "odometer_km"
    answer = draft.asking.ask("column_unit", key, f"Does {key!r} count kilometres or miles?", ("km", "mi"))
    return {"km": "odometer_km", "mi": "odometer_mi"}.get(answer or "")


def add_facts(draft: Draft, table: dict[str, Any]) -> None:
    """What the lines above the header say."""
    for fact in draft.facts:
        column = fact.column
        if column.startswith("odometer") and not fact.has_unit:
            column = odometer_column("", fact.label, fact.label, draft) or ""
        if column:
            table["preamble"][column] = fact.pattern


def add_codes(draft: Draft, table: dict[str, Any]) -> None:
    """How codes stand in their cells: several of them, or one with its text behind it."""
    column = draft.roles.fields.get("code")
    if column is None:
        return
    if column.code_mark:
        table["codes"] = {"split": column.code_mark}
    elif column.has_text_behind_code:
        table["extract"] = [{"column": column.key, "pattern": rf"(?i)^\s*(?P<code>{CODE})\W+(?P<text>.*)$"}]
        table["columns"].pop(column.key, None)


def add_readings(draft: Draft, table: dict[str, Any]) -> None:
    """The readings, a column or a row each."""
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
        if found.not_taken:
            table["skip"].append({"column": long["parameter"], "words": found.not_taken})
        table["long"] = long
        draft.mapping += found.mapping


def _wide(mapped: Mapped) -> dict[str, str]:
    entry = {"column": mapped.column.key, "parameter": str(mapped.parameter)}
    return entry | ({"unit": mapped.unit} if mapped.unit else {})


def _entry(column: str, **given: Any) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "column": column,
        "parameter": None,
        "field": None,
        "unit": None,
        "how": "",
        "confidence": "certain",
        "suggestions": [],
        "examples": [],
    }
    return entry | given


def _reading_entry(m: Mapped) -> dict[str, Any]:
    return _entry(
        m.column.key, parameter=m.parameter, unit=m.unit, how=m.how,
        confidence="certain" if m.is_settled else "asked" if m.how.endswith("asked") else "left out", suggestions=list(m.suggestions),
    )  # fmt: skip


def show_columns(draft: Draft) -> None:
    """Bring the mapping into the order of the file, labels last, with a few cells of each column."""
    by_key = {c.key: c for c in draft.columns}
    for entry in draft.mapping:
        if (column := by_key.get(entry["column"])) is not None:
            entry["examples"] = list(dict.fromkeys(column.filled))[:MOST_EXAMPLES]
    draft.mapping.sort(key=lambda m: by_key[m["column"]].index if m["column"] in by_key else len(by_key))


def add_file_name_day(draft: Draft, table: dict[str, Any]) -> None:
    """A time of day whose day stands in the file's name."""
    targets = {*table["columns"].values(), *table["preamble"]}
    stem = Path(draft.source.name).name
    if "at_time" in targets and "at_date" not in targets and re.search(r"\d{4}-\d{2}-\d{2}", stem):
        table["file_name"]["at_date"] = r"(\d{4}-\d{2}-\d{2})"


def add_reader(draft: Draft, table: dict[str, Any]) -> None:
    """Which reader it was: from the file, else asked once for the kind of file."""
    if draft.roles.kind in {"register", "work", "notes"}:
        return
    if "reader" not in {*table["columns"].values(), *table["preamble"]}:
        answer = draft.asking.ask(
            "reader", "reader", "Which reader writes files of this kind? Give it a name."
        )
        if answer:
            table["constants"]["reader"] = answer
