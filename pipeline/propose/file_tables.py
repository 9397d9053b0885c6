"""The tables of a proposed layout that say how the file is written: number marks, header, times, totals."""

from __future__ import annotations

from typing import Any

from pipeline.propose.asking import AS_DECIMAL, AS_THOUSANDS
from pipeline.propose.columns import Column
from pipeline.propose.draft import Draft
from pipeline.propose.numbers import Marks, find_marks
from pipeline.propose.structure import Structure
from pipeline.propose.times import ORDERS


def find_file_marks(draft: Draft) -> Marks:
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


def file_table(draft: Draft, marks: Marks) -> dict[str, Any]:
    """How the file is written, beside what the grid already knows."""
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


def _valued(draft: Draft) -> list[Column]:
    value = draft.roles.fields.get("value")
    return [*draft.roles.readings, *([value] if value else [])]


def time_table(draft: Draft) -> dict[str, Any]:
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


def skip_tables(structure: Structure) -> list[dict[str, Any]]:
    """Rows that are no data, such as totals, by their word in its column."""
    by_column: dict[int, dict[str, None]] = {}
    for column, word in structure.totals:
        by_column.setdefault(column, {})[word] = None
    return [
        {"column": structure.header[column], "words": list(words)}
        for column, words in by_column.items()
        if structure.header[column].strip()
    ]
