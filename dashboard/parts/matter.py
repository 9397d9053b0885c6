"""One finding on screen: what is claimed, how sure it is, what else it could be, what to check, cautions."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard.charts.code_names import Code
from dashboard.charts.matter_words import TIERS, glyph_of, say_why
from dashboard.charts.words import Reading
from dashboard.parts.links import link_to, link_to_reading
from dashboard.parts.plain import escape

__all__ = ["TIERS", "show_cautions", "show_link", "show_matter"]
_CELL_KINDS = ("van_level", "van_change", "van_drift", "reading_frozen")


def _show_right(row: dict[str, Any]) -> None:
    """What to do next and what else it could be."""
    if row["next_check"]:
        st.markdown(f"**Next check.** {escape(row['next_check'])}")
    if row["rivals"]:
        st.caption(f"**Could also be.** {escape('; '.join(row['rivals']))}")


def show_link(row: dict[str, Any]) -> None:
    """Draw the ways on from a finding: its code over time, its reading beside the siblings."""
    if row["code"] is not None:
        chosen = Code(row["module"] or "", row["code"], "", "other").short
        link_to("codes", "See this code over time", icon=":material/fact_check:", code=chosen)
    if row["kind"] in _CELL_KINDS and row["van"] is not None and row["parameter"] is not None:
        channel = "change" if row["kind"] == "van_change" else row["movement"] or "level"
        link_to_reading("See it beside its siblings", Reading.from_row(row), row["van"], channel=channel)


def show_matter(row: dict[str, Any], *, with_link: bool = True) -> None:
    """Draw one finding; its cautions are left to `show_cautions`, once for all of a box."""
    left, right = st.columns([3, 2], gap="medium")
    with left, st.container(gap="xsmall"):
        st.markdown(f"{glyph_of(row)} **{escape(row['claim'])}**")
        st.caption(escape(say_why(row)))
        if with_link:
            show_link(row)
    with right, st.container(gap="xsmall"):
        _show_right(row)


def show_cautions(rows: list[dict[str, Any]]) -> None:
    """Draw every caution of these findings once."""
    for line in dict.fromkeys(line for row in rows for line in row["cautions"]):
        st.markdown(f":material/warning: **Caution.** {escape(line)}")
