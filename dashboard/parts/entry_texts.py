"""What a person typed into a form, checked and turned into the rows that a journal entry keeps."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from pipeline import vocabulary
from pipeline.errors import nearest
from pipeline.vocabulary.pasted_codes import PastedCode, find_codes

MOST_KM = 5_000_000
MARKS = {"within": "Within", "low": "Low", "high": "High", "outside": "Outside"}


@dataclass(frozen=True)
class ScanFields:
    """The fields of one scan written down by hand; what was left empty is None, or an empty text."""

    van: str | None
    reader: str | None
    at: datetime
    odometer: float | None = None
    is_miles: bool = False
    rest_v: float | None = None
    standing_days: float | None = None
    state: str | None = None
    codes_text: str = ""
    status: str = "unknown"
    modules: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()
    readings: dict[str, tuple[float | None, str | None]] = field(default_factory=dict)
    note: str = ""
    who: str = ""


@dataclass(frozen=True)
class Checked:
    """What stops an entry from being saved, and what a person should look at twice."""

    stops: tuple[str, ...]
    doubts: tuple[str, ...]


def check_scan(given: ScanFields, vans: Sequence[str], readers: Sequence[str], now: datetime) -> Checked:
    """Check a scan before it is saved; nothing is put right without the person's doing."""
    stops = _missing({"the van": given.van, "the reader": given.reader})
    doubts = _check_van(given.van, vans) + _check_reader(given.reader, readers) + check_time(given.at, now)
    if given.odometer is not None and not 0 <= given.odometer <= MOST_KM:
        stops.append(f"The odometer cannot be {given.odometer:,.0f}.")
    if given.rest_v is not None and not 0 <= given.rest_v <= 60:
        stops.append(f"A battery cannot rest at {given.rest_v:g} V.")
    _, rest = find_codes(given.codes_text)
    doubts += [f"Not understood among the codes, kept as it stands: “{text}”." for text in rest]
    for key, (value, _) in given.readings.items():
        known = vocabulary.parameter(key)
        if value is not None and not known.plausible_low <= value <= known.plausible_high:
            doubts.append(
                f"{known.name} {value:g} {known.unit} is not plausible; it is kept, never compared."
            )
    both = set(given.modules) & set(given.silent)
    if both:
        stops.append(f"A module cannot both answer and stay silent: {', '.join(sorted(both))}.")
    values = [v for v, _ in given.readings.values() if v is not None]
    if not (given.codes_text.strip() or values or given.modules or given.silent or given.rest_v is not None):
        doubts.append("There is neither a code nor a reading nor a module in it.")
    if values and given.state is None:
        doubts.append(
            "Without the engine's state the readings are compared only where the rules can tell it."
        )
    return Checked(tuple(stops), tuple(doubts))


def check_named(
    needed: dict[str, Any], van: str | None, vans: Sequence[str], at: datetime, now: datetime
) -> Checked:
    """Check work or a note before it is saved: what is needed is there, the van is known, the time is likely."""
    return Checked(tuple(_missing(needed)), tuple(_check_van(van, vans) + check_time(at, now)))


def check_time(at: datetime, now: datetime) -> list[str]:
    """Say where a time is odd: ahead of now, or very old."""
    if at > now + timedelta(minutes=10):
        return ["The time lies ahead: look at the date and the clock."]
    if at < now - timedelta(days=365):
        return ["The time lies more than a year back."]
    return []


def _missing(named: dict[str, Any]) -> list[str]:
    gone = [name for name, value in named.items() if not (value and str(value).strip())]
    return [f"Say {' and '.join(gone)} first."] if gone else []


def _check_van(van: str | None, vans: Sequence[str]) -> list[str]:
    if not van or not vans or van in vans:
        return []
    near = nearest(van, vans)
    hint = f" Did you mean {near}?" if near else ""
    return [f"No van of the register is called “{van}”.{hint} It is kept under that name."]


def _check_reader(reader: str | None, readers: Sequence[str]) -> list[str]:
    if not reader or not readers or reader in readers:
        return []
    near = nearest(reader, readers) or next((r for r in readers if reader.casefold() in r.casefold()), None)
    hint = f" Did you mean {near}?" if near else ""
    return [f"Nothing was read with a reader called “{reader}” before.{hint}"]


def scan_content(given: ScanFields, replaces: str | None = None) -> dict[str, Any]:
    """Return the journal entry of a scan: its rows by tidy table, empty fields left out."""
    scan_id = f"hand-{secrets.token_hex(5)}"
    key = {"scan_id": scan_id, "reader": given.reader}
    scan = {
        **key,
        "van": given.van,
        "scanned_at": given.at.isoformat(timespec="seconds"),
        "odometer_mi" if given.is_miles else "odometer_km": given.odometer,
        "rest_v": given.rest_v,
        "standing_days": given.standing_days,
        "modules": ";".join(given.modules) or None,
        "modules_silent": ";".join(given.silent) or None,
        "operator": given.who.strip() or None,
        "note": given.note.strip() or None,
    }
    readings = [
        {
            **key,
            "parameter": parameter,
            "value": value,
            "unit": vocabulary.parameter(parameter).unit,
            "mark": mark,
            "state": given.state,
        }
        for parameter, (value, mark) in given.readings.items()
        if value is not None
    ]
    codes = [
        {**key, "module": one.module or None, "code": one.code, "status": one.status or given.status}
        for one in find_codes(given.codes_text)[0]
    ]
    tables = {"scans": [scan], "readings": readings, "codes": codes}
    return _entry(tables, given.who, replaces, pasted=given.codes_text.strip())


def work_content(row: dict[str, Any], replaces: str | None = None) -> dict[str, Any]:
    """Return the journal entry of work done; `row` has the columns of the tidy table `work`."""
    return _entry({"work": [row]}, "", replaces)


def note_content(row: dict[str, Any], replaces: str | None = None) -> dict[str, Any]:
    """Return the journal entry of a note; `row` has the columns of the tidy table `notes`."""
    return _entry({"notes": [row]}, "", replaces)


def _entry(tables: dict[str, Any], who: str, replaces: str | None, **more: str) -> dict[str, Any]:
    kept = {
        name: [{k: v for k, v in row.items() if v is not None and v != ""} for row in rows]
        for name, rows in tables.items()
        if rows
    }
    others = {"who": who.strip(), "replaces": replaces, **more}
    return {"tables": kept, **{k: v for k, v in others.items() if v}}


def say_code(one: PastedCode) -> str:
    """Say one code as it will be kept."""
    parts = [one.code, f"({one.status})" if one.status else "", f"in {one.module}" if one.module else ""]
    return " ".join(p for p in parts if p)


def say_entry(entry: dict[str, Any]) -> str:
    """Say in a line what an entry holds."""
    tables = entry.get("tables", {})
    if scans := tables.get("scans"):
        scan = scans[0]
        codes = ", ".join(str(c.get("code")) for c in tables.get("codes", ())) or "no code"
        n = len(tables.get("readings", ()))
        return f"Van {scan.get('van')}, {scan.get('reader')}: {codes}; {n} reading{'s' if n != 1 else ''}"
    if work := tables.get("work"):
        row = work[0]
        return f"Van {row.get('van')}: {row.get('what')} {row.get('part', '')}".rstrip()
    row = (tables.get("notes") or [{}])[0]
    return f"Van {row.get('van')}: {row.get('text', '')}"
