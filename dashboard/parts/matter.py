"""What goes with a matter wherever it is opened: its cautions and the ways on."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard.charts.code_names import Code
from dashboard.charts.words import Reading
from dashboard.parts.links import link_to, link_to_reading
from dashboard.parts.plain import escape

_CELL_KINDS = ("van_level", "van_change", "van_drift", "reading_frozen")


def show_link(row: dict[str, Any]) -> None:
    """Draw the ways on from a finding: its code over time, its reading beside the siblings."""
    if row["code"] is not None:
        chosen = Code(row["module"] or "", row["code"], "", "other").short
        link_to("codes", "See this code over time", icon=":material/fact_check:", code=chosen)
    if row["kind"] in _CELL_KINDS and row["van"] is not None and row["parameter"] is not None:
        channel = "change" if row["kind"] == "van_change" else row["movement"] or "level"
        link_to_reading("See it beside its siblings", Reading.from_row(row), row["van"], channel=channel)


def show_cautions(rows: list[dict[str, Any]]) -> None:
    """Draw every caution of these findings once."""
    for line in dict.fromkeys(line for row in rows for line in row["cautions"]):
        st.markdown(f":material/warning: **Caution.** {escape(line)}")
