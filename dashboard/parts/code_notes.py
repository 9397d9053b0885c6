"""What people know about a code, written down for the whole fleet: with name, date and where they have it from."""

from __future__ import annotations

import datetime as dt
from functools import lru_cache
from typing import Any

import streamlit as st

from dashboard.charts.code_names import Code
from dashboard.parts.plain import escape
from dashboard.parts.roles import may
from pipeline.errors import KinbayError
from pipeline.journal import read_entries, utc_now, write_entry
from pipeline.settings import Home

KIND = "code_note"
LONGEST_WHO, LONGEST_TEXT, LONGEST_ORIGIN = 80, 1000, 160
SHOWN = 12


@lru_cache(maxsize=8)
def _entries(home: Home, _changed_ns: int) -> tuple[dict[str, Any], ...]:
    return tuple(read_entries(home, KIND))


def notes_of(home: Home, code: Code) -> list[dict[str, Any]]:
    """Return the notes on a code, newest first; read again only when the journal folder has changed."""
    if not home.journal.is_dir():
        return []
    found = _entries(home, home.journal.stat().st_mtime_ns)
    own = [n for n in found if (n.get("module") or "", n.get("code")) == (code.module, code.code)]
    return own[::-1]


def keep_note(home: Home, code: Code, who: str, text: str, origin: str, at: dt.datetime) -> str:
    """Write a note into the journal and return the entry's name.

    Raises
    ------
    KinbayError
        Where name or text is missing or something is too long; nothing is kept.
    """
    who, origin, text = " ".join(who.split()), " ".join(origin.split()), text.strip()
    if not who or len(who) > LONGEST_WHO:
        raise KinbayError(f"A note needs a name, {LONGEST_WHO} letters at most", remedy="Nothing was kept.")
    if not text or len(text) > LONGEST_TEXT:
        raise KinbayError(f"A note needs a text, {LONGEST_TEXT} letters at most", remedy="Nothing was kept.")
    if len(origin) > LONGEST_ORIGIN:
        raise KinbayError(f"The source has {LONGEST_ORIGIN} letters at most", remedy="Nothing was kept.")
    content = {"module": code.module, "code": code.code, "who": who, "text": text, "origin": origin}
    return write_entry(home, KIND, at, content)


def _say_day(note: dict[str, Any]) -> str:
    try:
        return f"{dt.datetime.fromisoformat(str(note['at'])):%d %b %Y}"
    except (KeyError, ValueError):
        return "date not readable"


def show_notes(code: Code) -> None:
    """The notes on a code, and the form to add one."""
    home = Home.find()
    notes = notes_of(home, code)
    if notes:
        st.header("What we know about it", anchor=False)
    for note in notes[:SHOWN]:
        origin = f", from: {note['origin']}" if note.get("origin") else ""
        with st.container(border=True, gap="xsmall"):
            st.text(str(note.get("text") or "")[:LONGEST_TEXT])
            st.caption(escape(f"{note.get('who') or 'name not given'}, {_say_day(note)}{origin}"))
    if len(notes) > SHOWN:
        st.caption(f"The newest {SHOWN} of {len(notes)} notes are shown; the journal has all.")
    if not may("enter"):
        return
    label = (
        "Add to what is known of it"
        if notes
        else "Nobody has written anything about this code yet: write it down"
    )
    with (
        st.expander(label, icon=":material/edit_note:"),
        st.form("code_note", clear_on_submit=True, border=False),
    ):
        text = st.text_area("What do you know about this code?", max_chars=LONGEST_TEXT)
        who = st.text_input("Your name", max_chars=LONGEST_WHO)
        origin = st.text_input("Where from (a manual, a supplier, own experience)", max_chars=LONGEST_ORIGIN)
        if st.form_submit_button("Keep this note") and _keep(home, code, who, text, origin):
            st.rerun()


def _keep(home: Home, code: Code, who: str, text: str, origin: str) -> bool:
    try:
        keep_note(home, code, who, text, origin, utc_now())
    except KinbayError as fault:
        st.error(escape(str(fault)), icon=":material/error:")
        return False
    return True
