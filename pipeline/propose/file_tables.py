"""The tables of a proposed layout that say how the file is written: number marks, header, times, totals."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from pipeline import vocabulary
from pipeline.propose.asking import AS_DECIMAL, AS_THOUSANDS, DAYS
from pipeline.propose.columns import Column
from pipeline.propose.draft import Draft
from pipeline.propose.numbers import Marks, find_marks
from pipeline.propose.structure import Structure
from pipeline.propose.times import ORDERS, UTC_WORDS, Times

LOCAL = "local time"
_IS_FORM = re.compile(r"^(?:h+|s|sec|ms|local|am|pm|iso|lokal|hhmm|hhmmss|epoch)$", re.IGNORECASE)


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
    if draft.structure.names:
        table["names"] = list(draft.structure.names)
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


@dataclass(frozen=True)
class _Told:
    """One column or fact that tells a time: what it is called, its times, an example, what its header says of it."""

    key: str
    times: Times
    example: str
    said: str = ""


def time_table(draft: Draft) -> dict[str, Any]:
    """Formats in the one order that all dates of the file allow, asked where several do; the zone a header names."""
    told = _told(draft)
    dated = [t for t in told if t.times.shapes and t.times.kind in {"moment", "day"}]
    orders = _orders(dated, draft)
    formats = [f for t in dated for o in orders for f in t.times.formats(o)]
    formats += [f for t in told for f in t.times.forms]
    clocks = [shape[2] for t in told if t.times.kind == "clock" for shape in t.times.shapes]
    days = [f for t in dated if t.times.kind == "day" for o in orders for f in t.times.formats(o)]
    days += [f for t in told if t.times.kind == "day" for f in t.times.forms]
    if clocks:
        formats += [f"{day} {clock}" for day in [*days, "%Y-%m-%d"] for clock in clocks]
    formats += [t.times.kind for t in told if t.times.kind.startswith("epoch")]
    offset = draft.roles.fields.get("at_offset")
    if offset is not None and draft.asking.answers.get(("time_unit", offset.key)) == DAYS:
        formats.append("day_number")
    zone = _zone(told, draft)
    return ({"formats": list(dict.fromkeys(formats))} if formats else {}) | ({"zone": zone} if zone else {})


def _told(draft: Draft) -> list[_Told]:
    names = {"at", "scanned_at", "at_date", "at_time", "in_service"}
    columns = [c for n, c in draft.roles.fields.items() if n in names]
    found = [
        _Told(c.key, c.times, c.filled[0] if c.filled else "", c.name.unit or "")
        for c in columns
        if c.times is not None
    ]
    return found + [_Told(f.label, f.times, f.value) for f in draft.facts if f.times is not None]


def _orders(dated: list[_Told], draft: Draft) -> list[str]:
    """The order of day, month and year: by the values, by a header such as `Date (dd/mm/yyyy)`, else asked."""
    orders = [o for o in ORDERS if all(o in t.times.orders for t in dated)]
    if not dated or len(orders) == 1:
        return orders
    said = {o for t in dated if (o := _order_said(t.said)) in orders}
    if len(said) == 1:
        return list(said)
    choices = tuple(ORDERS[o] for o in (orders or ORDERS))
    asks = f"How is the date {dated[0].example!r} in {dated[0].key!r} to be read?"
    answer = draft.asking.ask("date_order", "date_order", asks, choices)
    return [o for o in ORDERS if ORDERS[o] == answer]


def _order_said(said: str) -> str:
    """`dd/mm/yyyy`, `TT.MM.JJJJ`, `jj/mm/aaaa` as an order; empty for anything else."""
    letters = re.match(
        r"^([dtj])\1?[./-](m)m?[./-]([yja])\3+|^(m)m?[./-]([dtj])\5?[./-]([yja])\6+", said.casefold()
    )
    if letters is None:
        return "YMD" if re.match(r"^([yja])\1{3}[./-]mm", said.casefold()) else ""
    return "MDY" if letters[4] else "DMY"


def _zone(told: list[_Told], draft: Draft) -> str | None:
    """The zone that a time column's header names: UTC is certain, any other word is asked about."""
    named = [t for t in told if re.fullmatch(r"[A-Za-z]{2,5}", t.said) and not _IS_FORM.match(t.said)]
    if not named or any(t.times.kind.startswith("epoch") for t in told):
        return None
    if all(vocabulary.fold(t.said) in UTC_WORDS for t in named):
        return "UTC"
    word = next(t.said for t in named if vocabulary.fold(t.said) not in UTC_WORDS)
    asks = f"The times of {named[0].key!r} say {word!r}. Are they the fleet's own local time, or UTC?"
    answer = draft.asking.ask("time_zone", "time_zone", asks, (LOCAL, "UTC"))
    return "UTC" if answer == "UTC" else None


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
