"""The dashboard's frame: pages, sidebar, and a message instead of a traceback."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from dashboard.parts.fault import guarded, show_fault
from dashboard.parts.filter_bar import choose_filters
from dashboard.parts.links import PAGES
from dashboard.questions import fleet
from dashboard.questions.warehouse import open_warehouse
from pipeline.errors import KinbayError
from pipeline.settings import Home

TITLES = {
    "look": ("What needs a look", ":material/search:"),
    "reading": ("Compare one reading", ":material/scatter_plot:"),
    "van": ("One van, all readings", ":material/airport_shuttle:"),
    "codes": ("Codes", ":material/fact_check:"),
    "data": ("Scans and records", ":material/inventory_2:"),
    "help": ("How to read this", ":material/menu_book:"),
}


def draw_sidebar() -> None:
    """Draw the filters and say how old the data are; without a build there is nothing to filter."""
    try:
        warehouse = open_warehouse(Home.find())
    except KinbayError:  # the page says it, once
        return
    st.session_state["filters"] = choose_filters(warehouse)
    build = fleet.describe_build(warehouse).row(0, named=True)
    st.caption(f"Data to {build['data_to']:%d %b %Y, %H:%M} UTC. Build {build['build_id']}.")


def main() -> None:
    """Draw the frame, then the page."""
    st.set_page_config(
        page_title="Kinbay", page_icon=str(Path(__file__).with_name("icon.svg")), layout="wide"
    )
    pages = [
        st.Page(path, title=TITLES[name][0], icon=TITLES[name][1], default=name == "look")
        for name, path in PAGES.items()
    ]
    chosen = st.navigation(pages)
    with st.sidebar:
        guarded(draw_sidebar)()
    try:
        chosen.run()
    except Exception as error:
        show_fault(error)


main()
