"""The month on a page: what a manager is shown, and the file to hand over."""

from __future__ import annotations

import datetime as dt
from functools import partial

import streamlit as st

from dashboard.charts.words import CAVEAT
from dashboard.exports.month import write_month
from dashboard.exports.picture import MIME
from dashboard.exports.report import print_html, print_pdf
from dashboard.parts.links import is_open, name_stray, seed
from dashboard.parts.plain import escape
from dashboard.parts.view import View, page
from dashboard.questions import months
from pipeline.settings import Home


def print_month(view: View, month: dt.date, kind: str) -> bytes:
    """Make the page when it is asked for."""
    report = write_month(view.warehouse, Home.find(), month, view.filters)
    return print_pdf(report) if kind == "pdf" else print_html(report)


def choose_month(known: dict[str, dt.date]) -> dt.date:
    """Draw the choice of month and return its first day; an address may name it as 2026-09 or as September 2026."""
    numbers = {f"{at:%Y-%m}": name for name, at in known.items()}
    asked = st.query_params.get("month")
    if asked in numbers:
        # the box would empty an address that does not name one of its choices: it is written anew before the box is drawn
        st.session_state["month_asked"] = numbers[asked]
        del st.query_params["month"]
        st.rerun()
    first = st.session_state.pop("month_asked", None) or next(iter(known))
    if is_open("month"):
        seed("month", first, first)
    name_stray("month", list(known), "Nothing was scanned or done in a month called")
    name = st.selectbox("Month", list(known), index=None, key="month", bind="query-params")
    return known.get(name or "", next(iter(known.values())))


@page("The month on a page")
def show(view: View) -> None:
    """One month in plain words, of the vans shown."""
    known = {f"{at:%B %Y}": at for at in months.list_months(view.warehouse)["month_at"].to_list()}
    if not known:
        st.info("Nothing was scanned or done yet.", icon=":material/inbox:")
        return
    month = choose_month(known)
    report = write_month(view.warehouse, Home.find(), month, view.filters)
    with st.container(border=True):
        for number, line in enumerate(report.lead):
            st.markdown(f"**{escape(line)}**" if number == 0 else escape(line))
        st.caption(f"{escape(report.facts)}. {CAVEAT}")
        with st.container(horizontal=True, gap="small"):
            for kind, label in (("pdf", "One page (PDF)"), ("html", "One page (HTML)")):
                st.download_button(
                    label,
                    partial(print_month, view, month, kind),
                    file_name=f"kinbay-{month:%Y-%m}.{kind}",
                    mime=MIME[kind],
                    key=f"month_{kind}",
                    on_click="ignore",
                    icon=":material/print:",
                )
    for section in report.sections:
        if section.lines:
            st.header(escape(section.title), anchor=False)
            more = f"\n- {section.more} more on the other pages" if section.more else ""
            st.markdown("\n".join(f"- {escape(line)}" for line in section.lines) + more)
    st.caption(escape(" ".join(report.foot)))


show()
