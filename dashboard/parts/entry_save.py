"""Saving what was written down: shown first, kept as one journal file, then loaded and compared."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard.parts.entry_texts import Checked
from dashboard.parts.plain import escape
from dashboard.parts.work import start_load_and_build
from pipeline.journal import utc_now, write_entry
from pipeline.settings import Home

_ROUND, _REPLACES = "entry_round", "entry_replaces"


def field_key(name: str) -> str:
    """Return the key of a form field; a saved form's fields are left behind, and new ones are empty."""
    return f"enter{st.session_state.get(_ROUND, 0)}_{name}"


def begin_anew(replaces: str | None = None, **fields: Any) -> None:
    """Empty the form; for a correction, fill it with what the entry says and note which one it replaces."""
    st.session_state[_ROUND] = st.session_state.get(_ROUND, 0) + 1
    st.session_state[_REPLACES] = replaces
    for name, value in fields.items():
        if value is not None:
            st.session_state[field_key(name)] = value


def replaced_entry() -> str | None:
    """Return the entry that the form's content will replace, if any."""
    return st.session_state.get(_REPLACES)


def ask_to_save(home: Home, kind: str, content: dict[str, Any], lines: list[str], found: Checked) -> None:
    """Show what will be saved and save it when told to; what was typed stays until it is saved."""
    with st.container(border=True):
        st.header("This will be saved", anchor=False)
        st.markdown("\n".join(f"- {escape(line)}" for line in lines))
        for text in found.stops:
            st.error(escape(text), icon=":material/block:")
        for text in found.doubts:
            st.warning(escape(text), icon=":material/help:")
        if found.stops:
            st.caption("Mend it above and look it over again. Nothing was saved yet.")
            return
        if st.button("Save", type="primary", width="stretch", key=field_key("save")):
            _save(home, kind, content)


def _save(home: Home, kind: str, content: dict[str, Any]) -> None:
    replaces = replaced_entry()
    write_entry(home, kind, utc_now(), content | ({"replaces": replaces} if replaces else {}))
    begin_anew()
    start_load_and_build("Saved; load and compare")
    st.rerun()


def take_back(home: Home, entry: str, why: str) -> None:
    """Take an entry's rows out by a further entry."""
    write_entry(home, "taken_back", utc_now(), {"names": entry, "why": why.strip()})
    start_load_and_build("Taken back; load and compare")
    st.rerun()
