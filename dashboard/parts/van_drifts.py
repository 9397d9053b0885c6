"""How every reading of a van moves away from its siblings month by month, as a table."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.drift import DRIFT_KEY, draw_drift, say_drift
from dashboard.charts.drift_words import say_course, say_drifts, say_edge, say_pace, say_step
from dashboard.charts.words import Reading, clean_text
from dashboard.exports.drift_pictures import picture_drift
from dashboard.parts.links import name_stray
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, offer_csv, offer_downloads, show_chart, show_table
from dashboard.parts.view import View
from dashboard.questions import vans


def show_van_drifts(view: View, van: str) -> None:
    """Draw the drift of every reading of a van; nothing where it has no siblings to be followed against."""
    drifts = vans.list_van_drifts(view.warehouse, van)
    if drifts.is_empty():
        return
    rows = drifts.to_dicts()
    st.header("Over time, against the siblings", anchor=False)
    st.write(escape(say_drifts(rows)))
    told = []
    for row in rows:
        reading = Reading.from_row(row)
        low, high = (
            reading.say(row[end], signed=True, unit=False) for end in ("interval_low", "interval_high")
        )
        is_followed = row["reason"] is None
        told.append(
            {
                "reading": reading.title,
                "course": say_course(row),
                "pace": say_pace(row["slope"]) if is_followed else None,
                "total": f"{reading.say(row['difference'], signed=True, unit=False)} ({low} to {high})" if is_followed else None,
                "unit": row["unit"],
                "edge": say_edge(row),
                "step": say_step(row),
                "n": f"{row['n_scans']} in {row['n_months']}",
                "n_siblings": f"{row['n_siblings']}{', all years' if row['is_fallback'] else ''}",
                "detectable": reading.say(row["detectable"], unit=False) if is_followed else None,
                "reason": row["reason"],
            }
        )  # fmt: skip
    show_table(
        pl.DataFrame(told, infer_schema_length=None),
        {
            "reading": st.column_config.TextColumn("Reading", width=268),
            "course": st.column_config.TextColumn("Course", width=112),
            "total": st.column_config.TextColumn("In all (95 %)", width=150),
            "unit": st.column_config.TextColumn("Unit", width=48),
            "edge": st.column_config.TextColumn("Leaves siblings' range", width=216),
            "step": st.column_config.TextColumn("Likeliest single step (95 %)", width=248),
            "pace": st.column_config.TextColumn("A month", width=80),
            "n": st.column_config.TextColumn("Scans in months", width=110),
            "n_siblings": st.column_config.TextColumn("Siblings", width=90),
            "detectable": st.column_config.TextColumn(
                "Smallest it could show", help="The smallest drift over this time that could have been shown."
            ),
            "reason": st.column_config.TextColumn("Why not followed", width="medium"),
        },
        key="van_drifts",
        alt=f"Drift of all readings of van {clean_text(van)}",
        height=min(320, 37 * (len(rows) + 1)),
    )
    offer_csv(drifts, file_stem("van", van, "drift"), key="van_drifts")
    show_course(view, van, rows)


def show_course(view: View, van: str, rows: list[dict[str, Any]]) -> None:
    """One followed reading through time, the surest first: chart, words and files."""
    followed = {Reading.from_row(row).title: row for row in rows if row["reason"] is None}
    if not followed:
        return
    asked = st.selectbox(
        "Reading over time", list(followed), index=None, key="drift_reading", bind="query-params",
        placeholder=f"{next(iter(followed))}, the surest",
    )  # fmt: skip
    name_stray("drift_reading", list(followed), "Among the readings followed there is none called")
    row = followed.get(asked or "", next(iter(followed.values())))
    reading = Reading.from_row(row)
    months = vans.list_drift_months(view.warehouse, van, reading.parameter, reading.state)
    st.markdown(f"**{escape(reading.title)}.** {escape(say_drift(row, months))}")
    show_chart(draw_drift(van, row, months, view.theme), key="drift_chart")
    st.caption(DRIFT_KEY)
    offer_downloads(
        partial(picture_drift, view.warehouse, van, row),
        months,
        file_stem("van", van, "drift", reading.title),
        key="drift_save",
    )
