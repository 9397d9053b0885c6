"""Scans whose codes are first a battery question."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard.parts.links import link_to_van
from dashboard.parts.matter import show_cautions, show_matter
from dashboard.parts.plain import escape
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
    with st.container(border=True):
        held = codes.list_low_voltage_evidence(view.warehouse, view.vans)
        for row in rows:
            show_matter(row)
            own = held.filter((pl.col("scan_id") == row["scan_id"]) & (pl.col("reader") == row["reader"]))
            if own.height:
                st.caption(escape(say_signs(own)))
        show_cautions(rows)
        for van in dict.fromkeys(row["van"] for row in rows):
            link_to_van(f"All readings of van {escape(van)}", van)
