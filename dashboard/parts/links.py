"""Which van and which reading are chosen, and links that carry the choice along."""

from __future__ import annotations

import contextlib

import polars as pl
import streamlit as st
from streamlit.delta_generator import DeltaGenerator
from streamlit.errors import StreamlitAPIException

from dashboard.charts.words import CHANNELS, CHANNELS_HELP, Reading, clean_text
from dashboard.parts.page_files import PAGES
from dashboard.parts.plain import escape
from dashboard.parts.view import View
from dashboard.questions import fleet


def link_to(page: str, label: str, *, icon: str | None = None, **chosen: str) -> None:
    """Draw a link to a page with what is chosen there; the label must be escaped.

    The filters stay by themselves: their boxes are on every page.
    """
    query = {key: clean_text(value) for key, value in chosen.items()}
    st.page_link(PAGES[page], label=label, icon=icon, query_params=query)


def link_to_reading(label: str, reading: Reading, van: str, *, channel: str = "level") -> None:
    """Draw a link to one van in one reading beside its siblings."""
    chosen = {"reading": reading.title, "reading_van": van, "reading_measure": CHANNELS[channel]}
    link_to("reading", label, icon=":material/scatter_plot:", **chosen)


def link_to_van(label: str, van: str) -> None:
    """Draw a link to all readings of one van."""
    link_to("van", label, icon=":material/airport_shuttle:", van=van)


def seed(key: str, value: str, shown: str) -> None:
    """Choose `value` in a box not yet drawn, and put it into the address as the box will write it.

    A box has no default of its own, so that what is shown always stands in the address and a link keeps its
    meaning after the next build. Only a box not yet bound may be given its place in the address by hand.
    """
    with contextlib.suppress(StreamlitAPIException):
        st.query_params[key] = shown
    st.session_state[key] = value


def is_open(key: str) -> bool:
    """Whether nothing is chosen in a box, neither in the session nor in the address."""
    return st.session_state.get(key) is None and key not in st.query_params


def name_stray(key: str, known: list[str], what: str, notes: DeltaGenerator | None = None) -> bool:
    """Say so where the address asks for something that is not here; the box would silently ignore it.

    Said in `notes`, where the box stands in a column too narrow for a sentence.
    """
    asked = st.query_params.get(key)
    if asked is None or asked in {clean_text(name) for name in known}:
        return False
    said = f"{what} “{escape(asked)}”. Choose another, or show all vans."
    (st if notes is None else notes).warning(said, icon=":material/link_off:")
    return True


def choose_van(view: View, key: str, *, placeholder: str, notes: DeltaGenerator | None = None) -> str | None:
    """Draw a van box and return the chosen van; the twin of every click on a mark or row.

    Each page has a box and a key of its own; the van chosen last on any page is chosen on the next too.
    """
    names, last = view.vans, st.session_state.get("last_van")
    if last in names and is_open(key):
        seed(key, last, clean_text(last))
    name_stray(key, names, "Among the vans shown there is none called", notes)
    van = st.selectbox(
        "Van",
        names,
        index=None,
        key=key,
        bind="query-params",
        format_func=clean_text,
        placeholder=placeholder,
        on_change=forget_van,
    )
    if van is not None:
        st.session_state["last_van"] = van
    return van


def forget_van() -> None:
    """A change in a van box: the van chosen before counts no more, not even where the box was emptied."""
    st.session_state["last_van"] = None


def list_readings(view: View) -> dict[str, Reading]:
    """Return the fleet's readings by title, the text that also stands in the address."""
    rows = fleet.list_readings(view.warehouse).iter_rows(named=True)
    return {reading.title: reading for reading in map(Reading.from_row, rows)}


def choose_reading(readings: dict[str, Reading], first: str) -> Reading | None:
    """Draw the reading box and return the chosen reading; `first` is chosen where none is yet.

    None where the address asks for a reading that no van of the fleet has.
    """
    if is_open("reading"):
        seed("reading", first, first)
    is_stray = name_stray("reading", list(readings), "No van of this fleet was ever read for")
    title = st.selectbox("Reading", list(readings), index=None, key="reading", bind="query-params")
    return None if is_stray else readings[title if title in readings else first]


def choose_channel(key: str) -> str:
    """Draw the choice of level, change, unsteadiness and step, and return its key."""
    words = {word: channel for channel, word in CHANNELS.items()}
    word = st.segmented_control(
        "Measure",
        list(words),
        default=CHANNELS["level"],
        key=key,
        bind="query-params",
        required=True,
        help=CHANNELS_HELP,
    )
    return words.get(word or "", "level")


def most_telling_reading(readings: dict[str, Reading], findings: pl.DataFrame) -> str:
    """Return the title of the reading of the best finding, levels first since they are shown first."""
    by_key = {(r.parameter, r.state): title for title, r in readings.items()}
    levels = findings.filter(pl.col("kind") == "van_level")
    for row in pl.concat([levels, findings]).select("parameter", "state").iter_rows():
        if row in by_key:
            return by_key[row]
    return next(iter(readings))
