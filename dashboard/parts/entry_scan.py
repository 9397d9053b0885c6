"""The form for a scan that its reader cannot export, made for a phone beside the van."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import partial
from typing import Any

import streamlit as st

from dashboard.charts.words import clean_text
from dashboard.exports.scan_sheet import print_sheet
from dashboard.parts.entry_choices import Choices, enterable, readings_of
from dashboard.parts.entry_save import ask_to_save, field_key
from dashboard.parts.entry_texts import MARKS, ScanFields, check_scan, say_code, scan_content
from dashboard.parts.plain import escape
from dashboard.parts.roles import may
from pipeline import vocabulary
from pipeline.journal import utc_now, write_entry
from pipeline.settings import Home
from pipeline.vocabulary.pasted_codes import find_codes

STATUSES = ("unknown", "present", "confirmed", "stored", "pending", "permanent", "healed")


def draw_scan(home: Home, choices: Choices) -> None:
    """Draw the form, then what will be saved, then the button that saves it."""
    van, reader = _choose_van_and_reader(choices)
    readings = readings_of(home, reader, choices.usual)
    if may("decide") and reader is not None:
        _choose_list(home, reader, readings)
    st.download_button(
        "Scan sheet to print (PDF)",
        partial(print_sheet, reader, readings),
        file_name="scan_sheet.pdf",
        mime="application/pdf",
        icon=":material/print:",
        key=field_key("scan_sheet"),
        on_click="ignore",
    )
    with st.form(field_key("scan_form"), enter_to_submit=False, border=False):
        given = _draw_fields(home, van, reader, readings, choices)
        looked = st.form_submit_button("Look it over", type="primary", width="stretch")
    if looked:
        st.session_state[field_key("draft")] = given
    draft = st.session_state.get(field_key("draft"))
    if isinstance(draft, ScanFields):
        now = datetime.now(home.settings.zone)
        ask_to_save(
            home,
            "scan",
            scan_content(draft),
            say_scan(draft),
            check_scan(draft, choices.vans, choices.readers, now),
        )


def _choose_van_and_reader(choices: Choices) -> tuple[str | None, str | None]:
    left, right = st.columns(2)
    with left:
        van = st.selectbox(
            "Van",
            list(choices.vans),
            index=None,
            key=field_key("scan_van"),
            accept_new_options=True,
            format_func=clean_text,
            placeholder="Choose or type",
        )
    with right:
        reader = st.selectbox(
            "Reader",
            list(choices.readers),
            index=None,
            key=field_key("scan_reader"),
            accept_new_options=True,
            format_func=clean_text,
            placeholder="Choose or type",
        )
    return van, reader


def _choose_list(home: Home, reader: str, readings: list[str]) -> None:
    """Let the lead choose which readings are asked for with this reader."""
    names = enterable()
    with st.expander(f"Readings asked for with {escape(reader)}"):
        kept = st.multiselect(
            "Readings, in the order in which the reader shows them",
            list(names),
            default=readings,
            key=field_key(f"list_{reader}"),
            format_func=names.__getitem__,
        )
        if st.button("Keep this list", key=field_key("list_keep")):
            write_entry(home, "reader_list", utc_now(), {"reader": reader, "readings": kept})
            st.rerun()


def _draw_fields(
    home: Home, van: str | None, reader: str | None, readings: list[str], choices: Choices
) -> ScanFields:
    zone = home.settings.zone
    at: datetime = st.datetime_input(
        "Read at", value=_now(zone), step=timedelta(minutes=1), format="DD/MM/YYYY", key=field_key("scan_at")
    )
    left, right = st.columns(2)
    with left:
        odometer = _number("Odometer", "scan_odometer", "%.0f")
    with right:
        unit = st.segmented_control(
            "Odometer in", ["km", "miles"], default="km", key=field_key("scan_unit"), required=True
        )
    codes = st.text_area(
        "Codes, any spelling",
        key=field_key("scan_codes"),
        height=90,
        placeholder="P0401-00 stored, U0100",
        help="One after another. A module before a colon goes with its line: “Engine: P0401”.",
    )
    status = st.selectbox(
        "Status of codes that say none", STATUSES, key=field_key("scan_status"), format_func=str.capitalize
    )
    left, right = st.columns(2)
    with left:
        modules = _modules("Modules that answered", choices, "scan_modules")
        rest_v = _number("Battery at rest, V", "scan_rest", "%.2f")
    with right:
        silent = _modules("Modules asked that stayed silent", choices, "scan_silent")
        standing = _number("Days it had stood", "scan_standing", "%.0f")
    states = {s.key: s.name for s in vocabulary.states()}
    state = st.selectbox(
        "Engine while reading",
        list(states),
        index=None,
        key=field_key("scan_state"),
        format_func=states.__getitem__,
        placeholder="Not noted",
    )
    values = _draw_readings(readings)
    note = st.text_input("Note", key=field_key("scan_note"), max_chars=1000)
    who = st.text_input("Who read it", key="entry_who", max_chars=80)
    return ScanFields(
        van, reader, at.replace(tzinfo=zone), odometer, unit == "miles", rest_v, standing, state, codes,
        status, modules, silent, values, note, who,
    )  # fmt: skip


def _now(zone: Any) -> datetime:
    """The minute the form was opened; the same until it is saved, or the field would forget what was typed."""
    key = field_key("scan_opened")
    opened: datetime = st.session_state.setdefault(
        key, datetime.now(zone).replace(second=0, microsecond=0, tzinfo=None)
    )
    return opened


def _number(label: str, name: str, form: str, least: float | None = 0.0) -> float | None:
    """A number that may be left out; phones show their number keys for it."""
    given: float | None = st.number_input(
        label,
        value=None,
        min_value=least,
        step=1.0 if form == "%.0f" else 0.01,
        format=form,
        key=field_key(name),
    )
    return given


def _modules(label: str, choices: Choices, name: str) -> tuple[str, ...]:
    return tuple(
        st.multiselect(
            label,
            list(choices.modules),
            key=field_key(name),
            accept_new_options=True,
            format_func=clean_text,
            placeholder="None noted",
        )
    )


def _draw_readings(readings: list[str]) -> dict[str, tuple[float | None, str | None]]:
    """One number a reading, and which of them the reader showed as out of range."""
    names = enterable()
    values: dict[str, float | None] = {}
    for pair in (readings[n : n + 2] for n in range(0, len(readings), 2)):
        for key, column in zip(pair, st.columns(2), strict=False):
            with column:
                values[key] = _number(names[key], f"scan_value_{key}", "%g", least=None)
    marked = st.pills(
        "Shown as out of range by the reader",
        readings,
        selection_mode="multi",
        key=field_key("scan_marked"),
        format_func=lambda k: vocabulary.parameter(k).name,
    )
    return {key: (value, "outside" if key in (marked or ()) else None) for key, value in values.items()}


def say_scan(given: ScanFields) -> list[str]:
    """Say what will be saved, line by line."""
    unit = "miles" if given.is_miles else "km"
    states = {s.key: s.name for s in vocabulary.states()}
    lines = [
        f"Van {given.van or '?'}, read with {given.reader or '?'} on {given.at:%d %b %Y, %H:%M}",
        f"Odometer {given.odometer:,.0f} {unit}" if given.odometer is not None else "",
        f"Battery at rest {given.rest_v:g} V" if given.rest_v is not None else "",
        f"Had stood {given.standing_days:g} days" if given.standing_days is not None else "",
    ]
    codes = [
        say_code(c) if c.status else f"{say_code(c)} ({given.status})"
        for c in find_codes(given.codes_text)[0]
    ]
    lines.append(f"{len(codes)} codes: {', '.join(codes)}" if codes else "No code")
    lines.append(
        f"Answered: {', '.join(given.modules)}"
        if given.modules
        else "Modules not noted, so that a missing code says nothing"
    )
    if given.silent:
        lines.append(f"Silent: {', '.join(given.silent)}")
    if given.state:
        lines.append(f"Engine: {states[given.state]}")
    for key, (value, mark) in given.readings.items():
        if value is not None:
            known = vocabulary.parameter(key)
            shown = f", shown as {MARKS[mark].lower()} its range" if mark else ""
            lines.append(f"{known.name} {value:g} {known.unit if known.unit != '1' else ''}{shown}".rstrip())
    lines += [
        f"Note: {given.note.strip()}" if given.note.strip() else "",
        f"By {given.who}" if given.who else "",
    ]
    return [line for line in lines if line]
