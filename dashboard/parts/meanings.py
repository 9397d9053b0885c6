"""What a column of a file may mean, in words, and what a person's choices say to `kinbay layout`."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any

from dashboard.parts.entry_choices import enterable
from pipeline import vocabulary

NOT_TAKEN = "not taken"
FIELDS = {
    "van": "Van",
    "at": "Date, time, or both",
    "scanned_at": "Date and time of the scan",
    "odometer_km": "Odometer",
    "code": "Trouble code",
    "status": "Status of the code",
    "module": "Module",
    "lamp": "Warning lamp",
    "text": "Text of the code or note",
    "first_seen_km": "Odometer when the code first came",
    "parameter": "Name of the reading, a row each",
    "value": "Value of the reading",
    "unit": "Unit of the reading",
    "low": "Lower limit of the reader",
    "high": "Upper limit of the reader",
    "mark": "The reader's own verdict",
    "state": "Operating state",
    "reader": "Reader",
    "reader_version": "Version of the reader",
    "scan_id": "Number of the scan",
    "operator": "Who read it",
    "note": "Note",
    "ambient_c": "Outside temperature, °C",
    "what": "Work done",
    "part": "Part",
    "cost": "Cost",
    "days_standing": "Days standing for the work",
    "vin": "Chassis number",
    "make": "Make",
    "model": "Model",
    "model_year": "Model year",
    "engine": "Engine",
    "fuel": "Fuel",
    "depot": "Depot",
}
_ASKED_BESIDE = {"column_label", "column_unit"}
_NEVER_DRAWN = {"column", "columns", "accept", "name"}
Entry = Mapping[str, Any]


def meanings() -> dict[str, str]:
    """Return everything a column may mean, by the key that `kinbay layout --answer column:...` takes."""
    return {NOT_TAKEN: "Not taken", **FIELDS, **enterable()}


def meaning_of(entry: Entry) -> str | None:
    """Return what a column of the proposed mapping is taken for; None where that is open."""
    if entry["confidence"] == "left out":
        return NOT_TAKEN
    field = entry["field"]
    if field is None:
        return str(entry["parameter"]) if entry["parameter"] else None
    moments = {"at_date", "at_time", "at_offset", "at_offset_s", "at_offset_ms"}
    return "at" if field in moments else "odometer_km" if field == "odometer_mi" else str(field)


def in_words(text: str) -> str:
    """Return a question with the keys of readings replaced by their names."""
    return re.sub(r"\b[a-z]+(?:_[a-z0-9]+)+\b", lambda found: _names().get(found[0], found[0]), text)


@cache
def _names() -> dict[str, str]:
    return {p.key: p.name.lower() for p in vocabulary.parameters()}


def order_choices(entry: Entry) -> list[str]:
    """Return the keys of all meanings, those suggested for this column first."""
    known = meanings()
    near = [key for key in entry["suggestions"] if key in known]
    now = meaning_of(entry)
    extra = [now] if now is not None and now not in known else []
    return [*near, *extra, *(key for key in known if key not in near)]


def beside(proposal: Mapping[str, Any], column: str) -> list[dict[str, Any]]:
    """Return the questions that belong to one column: which reading, which unit."""
    asked = [q for q in proposal["questions"] if q["kind"] in _ASKED_BESIDE and q["subject"] == column]
    return sorted(asked, key=lambda q: q["kind"])


def of_the_file(proposal: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the questions that belong to no column of the mapping: order of dates, marks, reader, van."""
    columns = {m["column"] for m in proposal["mapping"]}
    own = [
        q
        for q in proposal["questions"]
        if q["kind"] not in _NEVER_DRAWN and not (q["kind"] in _ASKED_BESIDE and q["subject"] in columns)
    ]
    return [*own, *proposal["facts"]]


def answers_of(chosen: Mapping[tuple[str, str], str | None], proposal: Mapping[str, Any]) -> list[str]:
    """Return a person's choices as texts for `--answer`; what was not changed is left out.

    Parameters
    ----------
    chosen : mapping
        Choice by kind and subject; for the kind `column` a key of `meanings`. An empty text takes an answer back,
        None says nothing.
    proposal : mapping
        What `kinbay layout --json` said.
    """
    now = {("column", m["column"]): meaning_of(m) for m in proposal["mapping"]}
    before = {(q["kind"], q["subject"]): q["answer"] for q in [*proposal["questions"], *proposal["facts"]]}
    told = []
    for key, value in chosen.items():
        known = now.get(key) if key[0] == "column" else before.get(key, "")
        if value is not None and value != known:
            told.append(f"{key[0]}:{key[1]}={value.replace('=', ' ').strip()}")
    return told
