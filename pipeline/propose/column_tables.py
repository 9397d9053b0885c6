"""The tables of a proposed layout that say what the columns hold: tidy columns, codes, readings, the reader."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from pipeline import vocabulary
from pipeline.propose.asking import DAYS
from pipeline.propose.columns import CODE, Column
from pipeline.propose.draft import Draft
from pipeline.propose.preamble import KILOMETRES, MILES
from pipeline.propose.readings import Mapped, map_labels, map_readings
from pipeline.read.tidy import tidy_name

MOST_EXAMPLES = 3


def field_columns(draft: Draft) -> dict[str, str]:
    """The tidy columns beside readings."""
    found: dict[str, str] = {}
    for target, column in draft.roles.fields.items():
        if target in {"parameter", "value", "unit", "low", "high", "mark"} and draft.roles.kind == "long":
            draft.used.append(column.name.cell)
            draft.mapping.append(entry(column.key, field=target, how="its name"))
            continue
        tidy = _tidy_column(target, column, draft)
        if tidy is None:
            draft.mapping.append(entry(column.key, field=target, how="asked", confidence="asked"))
            continue
        found[column.key] = tidy
        draft.used.append(column.name.cell)
        draft.mapping.append(entry(column.key, field=tidy, how="its name"))
    if draft.roles.kind == "register":
        _add_attributes(draft, found)
    for key, why in draft.roles.left_out.items():
        draft.mapping.append(entry(key, how=why, confidence="left out"))
    return found


def _add_attributes(draft: Draft, found: dict[str, str]) -> None:
    """Other columns of a register are kept as attributes of the van under their own names."""
    for column in draft.columns:
        name = tidy_name(column.name.cell)
        if column.key in draft.roles.left_out and not column.stands_twice and name not in found.values():
            del draft.roles.left_out[column.key]
            found[column.key] = name
            draft.mapping.append(entry(column.key, field=name, how="kept as an attribute"))


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
        may_be_day = all(re.match(r"^[2-6]\d{4}(?:[.,]\d+)?$", c) for c in column.filled)
        choices = (*((DAYS,) if may_be_day else ()), "seconds", "milliseconds")
        answer = draft.asking.ask(
            "time_unit", column.key, f"The column {column.key!r} counts up from {column.filled[0]}. In which unit?", choices
        )  # fmt: skip
        return {"seconds": "at_offset_s", "milliseconds": "at_offset_ms", DAYS: "at"}.get(answer or "")
    return target


def odometer_column(unit: str, name: str, key: str, draft: Draft) -> str | None:
    """Kilometres or miles: by the unit, else by a name that says kilometres, else asked."""
    bare = unit.strip("[]() ").casefold()
    if bare in MILES:
        return "odometer_mi"
    words = set(vocabulary.fold(name).split()) if not bare else set()
    if words & MILES and not words & KILOMETRES:
        return "odometer_mi"
    if (
        bare in KILOMETRES
        or words & KILOMETRES
        or (not bare and vocabulary.fold(name).startswith(("km", "kilom")))
    ):
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
    also = _further_codes(draft, column)
    if also:
        table["codes"] = {"also": [c.key for c in also]}
        draft.mapping = [m for m in draft.mapping if m["column"] not in {c.key for c in also}]
        draft.mapping += [entry(c.key, field="code", how="a further column of codes") for c in also]
    elif column.code_mark:
        table["codes"] = {"split": column.code_mark}
    elif column.has_text_behind_code:
        table["extract"] = [{"column": column.key, "pattern": rf"(?i)^\s*(?P<code>{CODE})\W+(?P<text>.*)$"}]
        table["columns"].pop(column.key, None)


def _further_codes(draft: Draft, first: Column) -> list[Column]:
    """Further columns of codes; one that is empty here counts where its name is theirs with another number."""
    more = draft.roles.more_codes
    if not more:
        return []
    stem = re.sub(r"\W*\d+$", "", first.name.cell.strip()).casefold()
    empty = [
        c
        for c in draft.columns
        if not c.filled and re.sub(r"\W*\d+$", "", c.name.cell.strip()).casefold() == stem
    ]
    return [*more, *(c for c in empty if c.key in draft.roles.left_out)]


def add_readings(draft: Draft, table: dict[str, Any]) -> None:
    """The readings, a column or a row each, and freeze frames beside their codes."""
    if draft.roles.beside.frames:
        mapped = _mapped(draft, draft.roles.beside.frames, table)
        table["freeze_frame"] = [_wide(m) for m in mapped if m.is_settled]
    if draft.roles.kind == "wide":
        mapped = _mapped(draft, draft.roles.readings, table)
        table["wide"] = [_wide(m) | _limits(draft, m) for m in mapped if m.is_settled]
    elif draft.roles.kind == "long":
        _add_long(draft, table)


def _mapped(draft: Draft, columns: list[Column], table: dict[str, Any]) -> list[Mapped]:
    written = table["file"]
    marks = str(written.get("decimal", ".")), str(written.get("thousands", ""))
    mapped = map_readings(columns, draft.structure.units or [], draft.asking, *marks)
    draft.used += [draft.structure.header[m.column.index] for m in mapped if m.is_settled]
    draft.mapping += [_reading_entry(m) for m in mapped]
    return mapped


def _limits(draft: Draft, mapped: Mapped) -> dict[str, str]:
    """The columns of the reader's own limits and mark beside a reading."""
    found = draft.roles.beside.limits.get(mapped.column.key, {})
    draft.mapping += [
        entry(c.key, field=kind, how=f"beside {mapped.column.key!r}") for kind, c in found.items()
    ]
    return {kind: column.key for kind, column in found.items()}


def _add_long(draft: Draft, table: dict[str, Any]) -> None:
    fields = draft.roles.fields
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


def entry(column: str, **given: Any) -> dict[str, Any]:
    """Make one entry of the mapping, as pipeline/layouts/README.md describes it."""
    empty: dict[str, Any] = {
        "column": column,
        "parameter": None,
        "field": None,
        "unit": None,
        "how": "",
        "confidence": "certain",
        "suggestions": [],
        "examples": [],
    }
    return empty | given


def _reading_entry(m: Mapped) -> dict[str, Any]:
    return entry(
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


def add_module(draft: Draft, table: dict[str, Any]) -> None:
    """Which control unit answers where neither a column nor the replies say: a freeze frame needs one."""
    if draft.roles.kind != "replies" or "module" in draft.roles.fields:
        return
    if any(r.frames and not r.control_unit for r in draft.roles.fields["reply"].replies):
        answer = draft.asking.ask("module", "module", "Which control unit answers in files of this kind?")
        if answer:
            table["constants"]["module"] = answer


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
