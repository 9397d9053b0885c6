"""Matters as a calm ranked list: each in two lines, the rest one click or keystroke further in."""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st

from dashboard.charts.matter_words import (
    glyph_of,
    headline,
    say_line,
    say_steps,
    say_why,
    short_cautions,
)
from dashboard.charts.words import format_number
from dashboard.exports.matter_page import write_matter
from dashboard.exports.report import print_html, print_pdf
from dashboard.parts.decided import Standing, offer_decision, show_history
from dashboard.parts.dossier import offer_dossier
from dashboard.parts.links import link_to_van
from dashboard.parts.matter import show_cautions, show_link
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, offer_pages
from dashboard.parts.view import View
from dashboard.questions import findings
from pipeline.settings import Home


def show_group(
    view: View, subject: str, rows: list[dict[str, Any]], standings: dict[str, Standing], *, key: str
) -> None:
    """Draw all matters about one subject in one box; `key` names the list, which is drawn once a page."""
    first = rows[0]
    with st.container(border=True, gap="xsmall"):
        show_subject(subject, first)
        show_matters(view, rows, standings, key=key)


def show_matters(view: View, rows: list[dict[str, Any]], standings: dict[str, Standing], *, key: str) -> None:
    """Draw matters one under the other, and name the dangers of their checks once."""
    with st.container(gap=None):
        for row in rows:
            show_row(view, row, standings[row["finding_id"]], key=f"{key}_{row['finding_id']}")
    named = short_cautions(rows)
    if named:
        st.caption(f":material/warning: **Caution.** {escape(named)}.")


def show_subject(subject: str, first: dict[str, Any]) -> None:
    """The subject, what is known of it, and the way to all its readings."""
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        st.header(escape(subject), anchor=False, width="content")
        if first["van"] is not None:
            odometer = f"{format_number(first['odometer_km'], 0)} km" if first["odometer_km"] else ""
            known = " · ".join(t for t in (first["cohort"], first["depot"], odometer) if t)
            st.caption(escape(known), width="content")
            link_to_van("All readings", first["van"])


def show_row(view: View, row: dict[str, Any], standing: Standing, *, key: str) -> None:
    """One matter: what, how sure, n, interval and next check; the rest when opened."""
    label = f"{glyph_of(row)} **{escape(headline(row))}**"
    opened = st.expander(label, key=key, type="compact", on_change="rerun")
    line = say_line(row)
    mark = ""
    if standing.decision is not None:
        state = f"back: {standing.back}" if standing.back else "quiet"
        mark = f" :material/gavel: {escape(standing.decision.words)}, {escape(state)}."
    st.caption(f"{escape(line)}{mark}")
    if opened.open:
        with opened:
            show_details(view, row, standing)


def show_details(view: View, row: dict[str, Any], standing: Standing) -> None:
    """All that is known about one matter, and what to do about it."""
    st.markdown(escape(row["claim"]))
    st.caption(escape(say_why(row)))
    if row["next_check"]:
        st.markdown(f"**Next check.** {escape(row['next_check'])}")
    show_cautions([row])
    if row["rivals"]:
        st.markdown("**Could also be.**")
        st.markdown("\n".join(f"- {escape(rival)}" for rival in row["rivals"]))
    if standing.back and standing.decision is not None:
        st.info(
            f"Decided on {standing.decision.at:%d %b %Y}, and back: {escape(standing.back)}.",
            icon=":material/undo:",
        )
    show_history(row)
    past = findings.list_matter_history(view.warehouse, row["finding_id"]).to_dicts()
    if past:
        st.caption(escape(say_steps(past)))
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        offer_decision(row, standing, view.build["build_id"])
        stem, key = file_stem("matter", row["finding_id"]), f"matter_page_{row['finding_id']}"
        offer_pages(partial(_print_matter, view, row["finding_id"]), stem, key=key)
        show_link(row)
        offer_dossier(view, row)


def _print_matter(view: View, finding: str, kind: str) -> bytes:
    """Make the page about one matter when it is asked for."""
    report = write_matter(view.warehouse, Home.find(), finding)
    return print_pdf(report) if kind == "pdf" else print_html(report)
