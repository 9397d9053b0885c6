"""Scans whose codes are first a battery question."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard.charts.matter_words import subject_of
from dashboard.parts.decided import standings
from dashboard.parts.plain import escape
from dashboard.parts.ranked import show_matters, show_subject
from dashboard.parts.view import View
from dashboard.questions import codes

SAYS_SO = ("finding", "likely")


def say_signs(rows: pl.DataFrame) -> str:
    """Say which signs of low supply voltage hold, with their points."""
    signs = [f"{r['says']} ({r['points']:+d})" for r in rows.iter_rows(named=True)]
    return f"Signs: {'; '.join(signs)}. In all {rows['points_in_all'][0]}; points are proposals."


def show_batteries(view: View, found: pl.DataFrame) -> None:
    """Scans whose codes are first a battery question."""
    rows = found.filter((pl.col("kind") == "low_voltage_cluster") & pl.col("tier").is_in(SAYS_SO)).to_dicts()
    if not rows:
        return
    st.header("Battery first", anchor=False)
    held = codes.list_low_voltage_evidence(view.warehouse, view.vans)
    for row in rows:
        own = held.filter((pl.col("scan_id") == row["scan_id"]) & (pl.col("reader") == row["reader"]))
        with st.container(border=True, gap="xsmall"):
            show_subject(subject_of(row), row)
            show_matters(view, [row], standings([row]), key="code_battery")
            if own.height:
                with st.expander("Signs of low supply voltage", type="compact"):
                    st.write(escape(say_signs(own)))
