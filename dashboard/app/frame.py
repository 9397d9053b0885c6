"""The dashboard's frame: pages, sidebar, and a message instead of a traceback."""

from __future__ import annotations

from pathlib import Path

import streamlit as st
from streamlit.navigation.page import StreamlitPage

from dashboard.parts.fault import guarded, show_fault
from dashboard.parts.filter_bar import choose_filters
from dashboard.parts.page_files import PAGES
from dashboard.parts.roles import may, show_role
from dashboard.questions import fleet
from dashboard.questions.warehouse import open_warehouse
from pipeline.errors import KinbayError
from pipeline.settings import Home

# The menu: few groups, each page in one place.
SECTIONS = {
    "": ("look", "van"),
    "Compare": ("reading", "age", "parking", "shares"),
    "Faults and work": ("codes", "repairs", "costs"),
    "Records": ("readers", "data", "add", "enter"),
    "For the manager": ("month",),
    "Help": ("help",),
}
TITLES = {
    "look": ("What needs a look", ":material/search:"),
    "reading": ("Compare one reading", ":material/scatter_plot:"),
    "age": ("Age and mileage", ":material/trending_up:"),
    "shares": ("Where differences come from", ":material/stacked_bar_chart:"),
    "van": ("One van, all readings", ":material/airport_shuttle:"),
    "parking": ("Parking and fittings", ":material/local_parking:"),
    "codes": ("Codes", ":material/fact_check:"),
    "repairs": ("Repairs", ":material/build:"),
    "costs": ("Keep or retire", ":material/payments:"),
    "readers": ("Readers", ":material/compare_arrows:"),
    "data": ("Scans and records", ":material/inventory_2:"),
    "add": ("Add data", ":material/upload_file:"),
    "enter": ("Write down a scan", ":material/edit_note:"),
    "month": ("The month on a page", ":material/calendar_month:"),
    "help": ("How to read this", ":material/menu_book:"),
}


def draw_sidebar() -> None:
    """Draw the filters and say how old the data are; without a build there is nothing to filter."""
    if not may("view"):
        return
    try:
        warehouse = open_warehouse(Home.find())
    except KinbayError:  # the page says it, once
        return
    show_role()
    st.session_state["filters"] = choose_filters(warehouse)
    build = fleet.describe_build(warehouse).row(0, named=True)
    st.caption(f"Data to {build['data_to']:%d %b %Y, %H:%M} UTC. Build {build['build_id']}.")


def draw_menu(pages: dict[str, StreamlitPage]) -> None:
    """Draw the menu: the pages by group."""
    with st.container(gap=None, key="menu"):
        for section, names in SECTIONS.items():
            if section:
                st.caption(section)
            for name in names:
                st.page_link(pages[name], width="stretch")


def main() -> None:
    """Draw the frame, then the page."""
    st.set_page_config(
        page_title="Kinbay", page_icon=str(Path(__file__).with_name("icon.svg")), layout="wide"
    )
    st.html(Path(__file__).with_name("style.css"))
    pages = {
        name: st.Page(PAGES[name], title=TITLES[name][0], icon=TITLES[name][1], default=name == "look")
        for names in SECTIONS.values()
        for name in names
    }
    # The framework's own menu puts group names between list items, which screen readers stumble over.
    chosen = st.navigation(list(pages.values()), position="hidden")
    with st.sidebar:
        draw_menu(pages)
        guarded(draw_sidebar)()
    try:
        chosen.run()
        if chosen.url_path != pages["help"].url_path:
            st.page_link(pages["help"], label="What the words and marks mean", icon=":material/menu_book:")
    except Exception as error:
        show_fault(error)


main()
