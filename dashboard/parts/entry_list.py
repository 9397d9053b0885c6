"""What was written down lately, to be corrected or taken back by further entries."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import streamlit as st

from dashboard.parts.entry_save import begin_anew, replaced_entry, take_back
from dashboard.parts.entry_texts import say_entry
from dashboard.parts.plain import escape
from pipeline.journal import read_entries
from pipeline.settings import Home

KINDS = {"scan": "A scan", "work": "Work done", "note": "A driver's note"}
SHOWN = 50


def list_entries(home: Home) -> dict[str, dict[str, Any]]:
    """Return the entries that count, newest first, by their file's name."""
    found = read_entries(home, *KINDS, "taken_back")
    dead = {e.get("replaces") for e in found} | {e.get("names") for e in found}
    return {e["entry"]: e for e in reversed(found) if e["kind"] in KINDS and e["entry"] not in dead}


def draw_entries(home: Home) -> None:
    """Draw the choice of an entry and what can be done about it."""
    entries = list_entries(home)
    if replaced_entry() is not None:
        st.button("Leave that entry as it is", on_click=begin_anew, icon=":material/undo:")
    if not entries:
        return
    st.header("Written down before", anchor=False)
    st.caption(
        "Nothing is ever changed: a correction replaces an entry by a new one, and both stay on record."
    )
    name = st.selectbox(
        "Entry", list(entries)[:SHOWN], index=None, key="entries_chosen", placeholder="Choose an entry",
        format_func=lambda n: f"{_day(entries[n])}  {say_entry(entries[n])}"[:90],
    )  # fmt: skip
    if name is None:
        return
    st.write(escape(say_entry(entries[name])))
    st.button(
        "Correct it", icon=":material/edit:", on_click=_correct, args=(entries[name], home), width="stretch"
    )
    why = st.text_input("Why it is taken back", key="entries_why", max_chars=500)
    if st.button("Take it back", icon=":material/delete:", disabled=not why.strip(), width="stretch"):
        take_back(home, name, why)


def _day(entry: dict[str, Any]) -> str:
    return str(entry.get("at", ""))[:16].replace("T", " ")


def _correct(entry: dict[str, Any], home: Home) -> None:
    """Fill the form with what the entry says; for a button."""
    st.session_state["enter_what"] = KINDS[entry["kind"]]
    fill = {"scan": _scan_fields, "work": _work_fields, "note": _note_fields}[entry["kind"]]
    begin_anew(entry["entry"], **fill(entry, home))


def _local(text: str, home: Home) -> datetime:
    return datetime.fromisoformat(text).astimezone(home.settings.zone).replace(tzinfo=None)


def _list(text: str | None) -> list[str] | None:
    return text.split(";") if text else None


def _scan_fields(entry: dict[str, Any], home: Home) -> dict[str, Any]:
    tables = entry["tables"]
    scan = tables["scans"][0]
    values = {f"scan_value_{r['parameter']}": r["value"] for r in tables.get("readings", ())}
    return {
        "scan_van": scan["van"], "scan_reader": scan["reader"], "scan_at": _local(scan["scanned_at"], home),
        "scan_odometer": scan.get("odometer_km", scan.get("odometer_mi")),
        "scan_unit": "miles" if "odometer_mi" in scan else "km", "scan_rest": scan.get("rest_v"),
        "scan_standing": scan.get("standing_days"), "scan_codes": entry.get("pasted"),
        "scan_modules": _list(scan.get("modules")), "scan_silent": _list(scan.get("modules_silent")),
        "scan_state": next((r.get("state") for r in tables.get("readings", ())), None),
        "scan_marked": [r["parameter"] for r in tables.get("readings", ()) if r.get("mark")],
        "scan_note": scan.get("note"), **values,
    }  # fmt: skip


def _work_fields(entry: dict[str, Any], home: Home) -> dict[str, Any]:
    row = entry["tables"]["work"][0]
    names = ("van", "what", "part", "code", "relearn", "cost", "note")
    return {
        **{f"work_{n}": row.get(n) for n in names}, "work_at": _local(row["at"], home),
        "work_odometer": row.get("odometer_km"), "work_standing": row.get("days_standing"),
    }  # fmt: skip


def _note_fields(entry: dict[str, Any], home: Home) -> dict[str, Any]:
    row = entry["tables"]["notes"][0]
    return {**{f"note_{n}": row.get(n) for n in ("van", "text", "who")}, "note_at": _local(row["at"], home)}
