"""The sidebar: which vans are shown. Its state lives in the address, so a link opens the same view."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.words import clean_text
from dashboard.questions import fleet
from dashboard.questions.filters import Filters
from dashboard.questions.warehouse import Warehouse

_LISTS = {
    "model": "Make and model",
    "model_year": "Model year",
    "depot": "Depot",
    "exposure": "Parking, fittings and the like",
    "reader": "Reader",
}
_PLACEHOLDERS = {
    "model": "All models",
    "model_year": "All years",
    "depot": "All depots",
    "exposure": "Any",
    "reader": "All readers",
}
_RANGES = {"age": ("Age, years", 1.0), "km": ("Odometer, km", 5000.0)}
# Streamlit writes white on the light blue of the dark theme, at 2.2:1; AA asks for 4.5:1.
_DARK_CHIPS = "<style>[data-testid=stMultiSelect] span[title]{color:#0A0F14}</style>"
_DAYS = ("from_day", "to_day")


def clear_filters() -> None:
    """Put every filter back to all vans; for buttons."""
    ends = st.session_state.get("filter_ends", {})
    for key in _LISTS:
        st.session_state[key] = []
    for key, (low, high) in ends.items():
        st.session_state[key] = (low, high)
    for key in _DAYS:
        st.session_state[key] = None
    st.session_state["within"] = False


def _choose_list(key: str, choices: pl.DataFrame) -> tuple[str, ...]:
    options = choices.filter(pl.col("filter") == key)["choice"].to_list()
    if not options:
        return ()
    chosen = st.multiselect(
        _LISTS[key],
        options,
        key=key,
        bind="query-params",
        format_func=clean_text,
        placeholder=_PLACEHOLDERS[key],
        wrap=True,
    )
    return tuple(chosen)


def _choose_range(key: str, low: float, high: float) -> tuple[float, float] | None:
    """Return the chosen range, or None where it is the whole one: then vans without a value stay."""
    label, step = _RANGES[key]
    if high <= low:
        return None
    chosen = st.slider(
        label, low, high, (low, high), step=step, key=key, bind="query-params", format="localized"
    )
    return None if chosen == (low, high) else (float(chosen[0]), float(chosen[1]))


def _choose_days(ends: dict[str, Any]) -> tuple[dt.date, dt.date] | None:
    """Return first and last day of the scans to show; an open end is that of the data."""
    if ends["date_from"] is None:
        return None
    first, last = st.columns(2)
    chosen = []
    for column, key, label in ((first, "from_day", "Scanned from"), (last, "to_day", "to")):
        with column:
            chosen.append(
                st.date_input(
                    label,
                    None,
                    min_value=ends["date_from"],
                    max_value=ends["date_to"],
                    key=key,
                    bind="query-params",
                    format="DD/MM/YYYY",
                )
            )
    if chosen == [None, None]:
        return None
    low, high = chosen[0] or ends["date_from"], chosen[1] or ends["date_to"]
    return (min(low, high), max(low, high))


def choose_filters(warehouse: Warehouse) -> Filters:
    """Draw the filters and return what was chosen."""
    choices = fleet.list_filter_choices(warehouse)
    ends = fleet.describe_ranges(warehouse).row(0, named=True)
    bounds = {"age": (ends["age_from"], ends["age_to"]), "km": (ends["km_from"], ends["km_to"])}
    st.session_state["filter_ends"] = {k: (float(a), float(b)) for k, (a, b) in bounds.items() if b > a}
    st.header("Vans shown", anchor=False)
    if st.context.theme.type == "dark":
        st.html(_DARK_CHIPS)
    lists = {key: _choose_list(key, choices) for key in _LISTS}
    filters = Filters(
        models=lists["model"],
        model_years=tuple(int(year) for year in lists["model_year"]),
        depots=lists["depot"],
        exposures=lists["exposure"],
        age_years=_choose_range("age", *map(float, bounds["age"])),
        odometer_km=_choose_range("km", *map(float, bounds["km"])),
        readers=lists["reader"],
        days=_choose_days(ends),
        is_within=st.toggle("Compare within the filter", key="within", bind="query-params"),
    )
    st.button("Show all vans", icon=":material/filter_alt_off:", on_click=clear_filters, type="tertiary")
    if filters.is_within:
        st.caption(
            "Compare one reading is worked out anew among the vans, readers and days shown. Everything else, and"
            " every finding, still rests on all siblings."
        )
    else:
        st.caption("Filters choose which vans you see. Every van is still compared with all its siblings.")
    return filters
