"""One code: van by van over time, and what happened after it was cleared."""

from __future__ import annotations

from functools import partial

import polars as pl
import streamlit as st

from dashboard.charts.code_names import Code, say_steadiness
from dashboard.charts.code_returns import UNITS, draw_returns, is_worth_a_curve, say_returns
from dashboard.charts.code_strips import MOST_SCANS, MOST_VANS, draw_strips
from dashboard.exports.code_pictures import RETURNS_KEY, STRIPS_KEY, picture_code_returns, picture_code_strips
from dashboard.parts.links import link_to_van
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, offer_downloads, show_chart, show_table
from dashboard.parts.view import View
from dashboard.questions import codes

_STANDINGS = {"with": "Has it", "without": "Has it not", "unknown": "Not known"}
_MOST_LINKS = 6


def show_strips(view: View, code: Code) -> None:
    """The chosen code over time, van by van."""
    st.header("Van by van", anchor=False)
    asked = (view.warehouse, code.module, code.code, view.vans)
    vans, scans = codes.list_code_vans(*asked), codes.list_code_scans(*asked)
    show_chart(draw_strips(code, vans, scans, codes.list_code_clears(*asked), view.theme), key="code_strips")
    n_shown = int(vans["has_shown"].sum())
    more = (
        f" The {MOST_VANS} steadiest of {n_shown} are drawn; the table has all."
        if n_shown > MOST_VANS
        else ""
    )
    if scans.height and scans["van"].value_counts(sort=True)["count"].to_list()[0] > MOST_SCANS:
        more += f" The newest {MOST_SCANS} scans of a van are drawn."
    st.caption(STRIPS_KEY + more)
    offer_downloads(
        partial(picture_code_strips, view.warehouse, code, view.filters),
        scans,
        file_stem("code", code.short),
        key="strips_save",
    )
    table = vans.with_columns(
        pl.col("standing").replace_strict(_STANDINGS, return_dtype=pl.String),
        pl.format("{} of {}", "n_present", "n_scans").alias("recent"),
        pl.Series("steady", [say_steadiness(r) if r["has_shown"] else "never shown" for r in vans.iter_rows(named=True)]),
    )  # fmt: skip
    show_table(
        table,
        {
            "van": st.column_config.TextColumn("Van", width=64),
            "cohort": st.column_config.TextColumn("Group", width="medium"),
            "standing": st.column_config.TextColumn("Now", width=96),
            "recent": st.column_config.TextColumn("Newest scans", width=100),
            "steady": st.column_config.TextColumn("Since first shown", width=210),
            "n_cannot_tell": st.column_config.NumberColumn("Cannot tell", width=90),
            "n_clears": st.column_config.NumberColumn("Cleared", width=70),
            "n_clears_survived": st.column_config.NumberColumn("Came back", width=84),
            "last_status": st.column_config.TextColumn("Status", width=90),
            "first_seen": st.column_config.DateColumn("First", format="DD MMM YYYY"),
            "last_seen": st.column_config.DateColumn("Last", format="DD MMM YYYY"),
        },
        key="code_vans",
        alt=f"Vans and {code.name}",
        height=min(430, 37 * (vans.height + 1)),
    )
    for van in vans.filter(pl.col("standing") == "with")["van"].to_list()[:_MOST_LINKS]:
        link_to_van(f"All readings of van {escape(van)}", van)


def show_returns(view: View, code: Code) -> None:
    """Does it come back after clearing."""
    st.header("After clearing", anchor=False)
    returns = codes.list_code_returns(view.warehouse, code.module, code.code)
    st.write(escape(say_returns(returns)))
    if not is_worth_a_curve(returns):
        return
    unit = "days"
    if is_worth_a_curve(returns, "km"):
        words = {word: unit for unit, word in UNITS.items()}
        word = st.segmented_control(
            "Measured in",
            list(words),
            default=UNITS["days"],
            key="code_unit",
            bind="query-params",
            required=True,
        )
        unit = words.get(word or "", "days")
    show_chart(draw_returns(code, returns, unit, view.theme), key="code_returns")
    st.caption(RETURNS_KEY)
    offer_downloads(
        partial(picture_code_returns, view.warehouse, code, unit),
        returns,
        file_stem("code", code.short, "after clearing"),
        key="returns_save",
    )
