"""Which van and which reading are chosen, and links that carry the choice along."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard.charts.words import Reading, clean_text
from dashboard.parts.filter_bar import as_query
from dashboard.parts.view import View
from dashboard.questions import fleet

PAGES = {
    "look": "pages/needs_a_look.py",
    "reading": "pages/one_reading.py",
    "van": "pages/one_van.py",
    "data": "pages/data.py",
    "help": "pages/how_to_read.py",
}


def link_to(page: str, label: str, view: View, *, icon: str | None = None, **chosen: str) -> None:
    """Draw a link to a page with the present filters and what is chosen; labels must be escaped."""
    query = as_query(view.filters) | {key: clean_text(value) for key, value in chosen.items()}
    st.page_link(PAGES[page], label=label, icon=icon, query_params=query)


def choose_van(view: View, *, placeholder: str) -> str | None:
    """Draw the van box and return the chosen van; the twin of every click on a mark or row."""
    return st.selectbox(
        "Van",
        view.vans,
        index=None,
        key="van",
        bind="query-params",
        format_func=clean_text,
        placeholder=placeholder,
    )


def list_readings(view: View) -> dict[str, Reading]:
    """Return the fleet's readings by title, the text that also stands in the address."""
    rows = fleet.list_readings(view.warehouse).iter_rows(named=True)
    return {reading.title: reading for reading in map(Reading.from_row, rows)}


def choose_reading(readings: dict[str, Reading], first: str) -> Reading:
    """Draw the reading box and return the chosen reading; `first` is chosen where none is yet."""
    if st.session_state.get("reading") is None and "reading" not in st.query_params:
        st.session_state["reading"] = first
    # No default of its own: whatever is shown then stands in the address, and a link keeps its meaning.
    title = st.selectbox("Reading", list(readings), index=None, key="reading", bind="query-params")
    return readings[title if title in readings else first]


def most_telling_reading(readings: dict[str, Reading], findings: pl.DataFrame) -> str:
    """Return the title of the reading of the best finding, else of the first reading."""
    by_key = {(r.parameter, r.state): title for title, r in readings.items()}
    for row in findings.select("parameter", "state").iter_rows():
        if row in by_key:
            return by_key[row]
    return next(iter(readings))
