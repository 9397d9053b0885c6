"""The forms for work done and for what drivers say."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import streamlit as st

from dashboard.charts.words import clean_text
from dashboard.parts.entry_save import ask_to_save, field_key
from dashboard.parts.entry_texts import Checked, check_named, note_content, work_content
from pipeline.settings import Home

WHAT = (
    "replaced",
    "repaired",
    "adjusted",
    "cleaned",
    "cleared",
    "relearned",
    "charged",
    "jump_started",
    "reader_left_plugged",
    "inspected",
)
RELEARN = {"done": "Done", "not_needed": "Not needed", "unknown": "Not known"}


def _say(word: str) -> str:
    return word.replace("_", " ").capitalize()


def _choose_van(vans: Sequence[str], name: str) -> str | None:
    return st.selectbox(
        "Van", list(vans), index=None, key=field_key(name), accept_new_options=True,
        format_func=clean_text, placeholder="Choose or type",
    )  # fmt: skip


def _choose_time(home: Home, label: str, name: str) -> datetime:
    zone = home.settings.zone
    opened = st.session_state.setdefault(
        field_key(f"{name}_opened"), datetime.now(zone).replace(second=0, microsecond=0, tzinfo=None)
    )
    at: datetime = st.datetime_input(
        label, value=opened, step=timedelta(minutes=1), format="DD/MM/YYYY", key=field_key(name)
    )
    return at.replace(tzinfo=zone)


def draw_work(home: Home, vans: Sequence[str]) -> None:
    """Draw the form for work done, so that the repair can be judged later."""
    with st.form(field_key("work_form"), enter_to_submit=False, border=False):
        van = _choose_van(vans, "work_van")
        at = _choose_time(home, "Done at", "work_at")
        what = st.selectbox(
            "What was done", WHAT, index=None, key=field_key("work_what"), format_func=_say,
            accept_new_options=True, placeholder="Choose or type",
        )  # fmt: skip
        part = st.text_input("Part", key=field_key("work_part"), max_chars=120)
        code = st.text_input("For which code", key=field_key("work_code"), max_chars=20)
        relearn = st.segmented_control(
            "Taught in again afterwards", list(RELEARN), key=field_key("work_relearn"),
            format_func=RELEARN.__getitem__,
        )  # fmt: skip
        odometer = st.number_input(
            "Odometer, km", value=None, min_value=0.0, step=1.0, format="%.0f", key=field_key("work_odometer")
        )
        standing = st.number_input(
            "Days it stood for it",
            value=None,
            min_value=0.0,
            step=0.5,
            format="%g",
            key=field_key("work_standing"),
        )
        cost = st.number_input(
            "Cost", value=None, min_value=0.0, step=1.0, format="%.2f", key=field_key("work_cost")
        )
        note = st.text_input("Note", key=field_key("work_note"), max_chars=1000)
        if st.form_submit_button("Look it over", type="primary", width="stretch"):
            st.session_state[field_key("draft")] = {
                "van": van, "at": at.isoformat(timespec="seconds"), "what": what, "part": part.strip(),
                "code": code.strip(), "relearn": relearn, "odometer_km": odometer, "days_standing": standing,
                "cost": cost, "note": note.strip(),
            }  # fmt: skip
    _save_draft(home, "work", ("van", "what"), vans)


def draw_note(home: Home, vans: Sequence[str]) -> None:
    """Draw the form for what a driver says or somebody saw."""
    with st.form(field_key("note_form"), enter_to_submit=False, border=False):
        van = _choose_van(vans, "note_van")
        at = _choose_time(home, "Noticed at", "note_at")
        text = st.text_area("What was noticed", key=field_key("note_text"), max_chars=2000, height=110)
        who = st.text_input("Who noticed it", key=field_key("note_who"), max_chars=80)
        if st.form_submit_button("Look it over", type="primary", width="stretch"):
            st.session_state[field_key("draft")] = {
                "van": van, "at": at.isoformat(timespec="seconds"), "text": text.strip(), "who": who.strip(),
            }  # fmt: skip
    _save_draft(home, "note", ("van", "text"), vans)


_LABELS = {
    "van": "Van", "at": "At", "what": "Done", "part": "Part", "code": "Code", "relearn": "Taught in again",
    "odometer_km": "Odometer, km", "days_standing": "Days it stood", "cost": "Cost", "note": "Note",
    "text": "Noticed", "who": "By",
}  # fmt: skip


def _save_draft(home: Home, kind: str, required: tuple[str, ...], vans: Sequence[str]) -> None:
    draft: Any = st.session_state.get(field_key("draft"))
    if not isinstance(draft, dict):
        return
    at = datetime.fromisoformat(draft["at"])
    needed = {_LABELS[name].lower(): draft[name] for name in required}
    found: Checked = check_named(needed, draft["van"], vans, at, datetime.now(home.settings.zone))
    shown = draft | {"at": f"{at:%d %b %Y, %H:%M}"}
    lines = [
        f"{_LABELS[k]}: {_say(v) if k in ('what', 'relearn') else v}"
        for k, v in shown.items()
        if v not in (None, "")
    ]
    make = work_content if kind == "work" else note_content
    ask_to_save(home, kind, make(draft), lines, found)
