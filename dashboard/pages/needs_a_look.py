"""First page: what stands out, best first, grouped by van."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.words import CAVEAT, clean_text, count_of, format_number
from dashboard.parts.links import link_to_van
from dashboard.parts.matter import TIERS, show_cautions, show_matter
from dashboard.parts.plain import escape
from dashboard.parts.screen import offer_csv
from dashboard.parts.view import View, page
from dashboard.questions import findings

GROUPS_AT_ONCE = 8
_WORD_TO_TIER = {word: tier for tier, word in TIERS.items()}


def say_count(found: pl.DataFrame, build: dict[str, Any]) -> str:
    """Say how much stands out and how much chance alone would raise."""
    sure = found.filter(pl.col("tier") == "finding")
    on_vans = sure["van"].drop_nulls().n_unique()
    matters = f"{sure.height} matter{'' if sure.height == 1 else 's'}"
    lead = f"{matters} stand{'s' if sure.height == 1 else ''} out" if sure.height else "Nothing stands out"
    where = f", on {count_of(on_vans, 'van')}" if on_vans else ""
    chance = format_number(build["expected_by_chance"], 1)
    return (
        f"**{lead}{where}.** {format_number(build['cells_tested'], 0)} comparisons were made across the fleet;"
        f" chance alone would raise about {chance} of them."
    )


def subject_of(row: dict[str, Any]) -> str:
    """Name what a finding is about: a van, a group of vans, a reader or a habit."""
    if row["van"] is not None:
        return f"Van {clean_text(row['van'])}"
    if row["cohort"]:
        return clean_text(row["cohort"])
    if row["reader"]:
        return f"Reader: {clean_text(row['reader'])}"
    return clean_text(row["attribute"] or "Whole fleet").capitalize()


def show_group(subject: str, rows: list[dict[str, Any]]) -> None:
    """Draw all findings about one subject in one box."""
    first = rows[0]
    with st.container(border=True, gap="small"):
        with st.container(gap=None):
            st.header(escape(subject), anchor=False)
            if first["van"] is not None:
                odometer = f"{format_number(first['odometer_km'], 0)} km" if first["odometer_km"] else ""
                st.caption(escape(" · ".join(t for t in (first["cohort"], first["depot"], odometer) if t)))
        for row in rows:
            show_matter(row)
        show_cautions(rows)
        if first["van"] is not None:
            link_to_van(f"All readings of van {escape(first['van'])}", first["van"])


def draw_more() -> None:
    """Draw the next groups too; for a button."""
    st.session_state["look_groups"] = st.session_state.get("look_groups", GROUPS_AT_ONCE) + GROUPS_AT_ONCE


@page("What needs a look")
def show(view: View) -> None:
    """Findings, best first."""
    found = findings.list_findings(view.warehouse, view.vans)
    st.markdown(say_count(found, view.build))
    st.caption(
        f"{CAVEAT} Data to {view.build['data_to']:%d %b %Y}; vans shown: {escape(view.filters.describe())}."
    )
    words = st.pills(
        "How sure",
        list(_WORD_TO_TIER),
        selection_mode="multi",
        default=["Stands out", "Likely"],
        key="look_sure",
        bind="query-params",
    )
    kept = found.filter(pl.col("tier").is_in([_WORD_TO_TIER[word] for word in words or []]))
    if kept.is_empty():
        st.info(
            "Nothing to show for this choice. That is no proof that all is well: vans with too few scans or"
            " siblings are not judged. See Scans and records.",
            icon=":material/search_off:",
        )
        return
    groups: dict[str, list[dict[str, Any]]] = {}
    for row in kept.iter_rows(named=True):
        groups.setdefault(subject_of(row), []).append(row)
    drawn = int(st.session_state.get("look_groups", GROUPS_AT_ONCE))
    for subject, rows in list(groups.items())[:drawn]:
        show_group(subject, rows)
    left = len(groups) - drawn
    if left > 0:
        st.button(f"Show {min(left, GROUPS_AT_ONCE)} more of {left}", key="look_more", on_click=draw_more)
    offer_csv(kept, "kinbay-findings", key="look")


show()
