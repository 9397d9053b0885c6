"""Which van and which reading are chosen, and links that carry the choice along."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard.charts.words import Reading, clean_text
from dashboard.parts.filter_bar import as_query
from dashboard.parts.plain import escape
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


def name_stray(key: str, known: list[str], what: str) -> bool:
    """Say so where the address asks for something that is not here; the box would silently ignore it."""
    asked = st.query_params.get(key)
    if asked is None or asked in {clean_text(name) for name in known}:
        return False
    st.warning(f"{what} “{escape(asked)}”. Choose another, or show all vans.", icon=":material/link_off:")
    return True


def choose_van(view: View, *, placeholder: str) -> str | None:
    """Draw the van box and return the chosen van; the twin of every click on a mark or row."""
    name_stray("van", view.vans, "Among the vans shown there is none called")
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


def choose_reading(readings: dict[str, Reading], first: str) -> Reading | None:
    """Draw the reading box and return the chosen reading; `first` is chosen where none is yet.

    None where the address asks for a reading that no van of the fleet has.

    The box has no default of its own: the page is entered anew with the first choice in its address, so that
    what is shown always stands there and a link keeps its meaning after the next build.
    """
    if st.session_state.get("reading") is None and "reading" not in st.query_params:
        asked = {name: st.query_params.get_all(name) for name in st.query_params}
        st.switch_page(PAGES["reading"], query_params=asked | {"reading": [first]})
    is_stray = name_stray("reading", list(readings), "No van of this fleet was ever read for")
    title = st.selectbox("Reading", list(readings), index=None, key="reading", bind="query-params")
    return None if is_stray else readings[title if title in readings else first]


def most_telling_reading(readings: dict[str, Reading], findings: pl.DataFrame) -> str:
    """Return the title of the reading of the best finding, else of the first reading."""
    by_key = {(r.parameter, r.state): title for title, r in readings.items()}
    for row in findings.select("parameter", "state").iter_rows():
        if row in by_key:
            return by_key[row]
    return next(iter(readings))
