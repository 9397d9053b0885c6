"""What every page starts from: the newest build, the vans shown, the colours in use."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.palette import DARK, LIGHT, Theme
from dashboard.parts.fault import guarded
from dashboard.parts.filter_bar import clear_filters
from dashboard.parts.plain import escape
from dashboard.parts.roles import may, show_refused
from dashboard.questions import fleet
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.warehouse import NothingBuiltError, Warehouse, open_warehouse
from pipeline.settings import Home


@dataclass(frozen=True)
class View:
    """One look at one build.

    Parameters
    ----------
    warehouse : Warehouse
        The build looked at.
    build : dict
        Its row of `describe_build`.
    filters : Filters
        What was chosen in the sidebar.
    shown : polars.DataFrame
        The vans the filters let through.
    theme : Theme
        Light or dark, as the browser shows it.
    """

    warehouse: Warehouse
    build: dict[str, Any]
    filters: Filters
    shown: pl.DataFrame
    theme: Theme

    @property
    def vans(self) -> list[str]:
        """Names of the vans shown."""
        return self.shown["van"].to_list()


def shown_theme() -> Theme:
    """Light or dark, as the browser shows it."""
    return DARK if st.context.theme.type == "dark" else LIGHT


def open_view() -> View:
    """Look at the newest build; a build published since the last look is taken up here."""
    warehouse = open_warehouse(Home.find())
    filters = st.session_state.get("filters", ALL_VANS)
    return View(
        warehouse=warehouse,
        build=fleet.describe_build(warehouse).row(0, named=True),
        filters=filters,
        shown=fleet.list_shown_vans(warehouse, filters),
        theme=shown_theme(),
    )


def show_head(title: str, view: View, is_filtered: bool) -> None:
    """Name the page and say which vans are shown where filters leave some out; on paper always, with data date and build.

    All of it takes one place on the page, with and without a filter: what follows keeps its number, and the browser
    its charts and tables.
    """
    is_narrowed = view.filters != ALL_VANS
    shown = f"Vans shown: {escape(view.filters.describe())}; {view.shown.height} of {view.build['n_vans']}."
    data = f"Data to {view.build['data_to']:%d %b %Y, %H:%M} UTC. Build {view.build['build_id']}."
    with st.container(key="head"):
        st.title(title, anchor=False)
        if not is_filtered:
            if is_narrowed:
                st.caption(
                    ":material/filter_alt_off: This page is about the whole fleet, whatever the filters."
                )
            return
        if is_narrowed:
            st.caption(f":material/filter_alt: {shown}")
        with st.container(key="printed_origin"):
            st.caption(data if is_narrowed else f"{shown} {data}")


def show_no_vans(filters: Filters) -> None:
    """Say that the filters leave nothing, and offer the way out."""
    st.info(
        f"No van matches these filters: {escape(filters.describe())}. Widen the age or odometer range, or take a"
        " choice away.",
        icon=":material/filter_alt:",
    )
    st.button("Show all vans", key="clear_from_page", on_click=clear_filters)


def page(
    title: str, *, is_filtered: bool = True, unbuilt: Callable[[], None] | None = None
) -> Callable[[Callable[[View], None]], Callable[[], None]]:
    """Make a page of a function: title, newest build, empty case, faults told in words.

    Parameters
    ----------
    title : str
        The page's heading.
    is_filtered : bool
        False for a page that shows the whole fleet whatever is filtered; it says so.
    unbuilt : callable, optional
        What to show before anything is built, in place of what to run.
    """

    def wrap(body: Callable[[View], None]) -> Callable[[], None]:
        @functools.wraps(body)
        def run() -> None:
            if not may("view"):
                show_refused()
                return
            try:
                view = open_view()
            except NothingBuiltError:
                if unbuilt is None:
                    raise
                st.title(title, anchor=False)
                unbuilt()
                return
            show_head(title, view, is_filtered)
            if is_filtered and view.shown.is_empty():
                show_no_vans(view.filters)
            else:
                body(view)

        return guarded(run)

    return wrap
