"""Charts, downloads and tables on screen."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from typing import Any, Literal

import polars as pl
import streamlit as st

from dashboard.charts.frame import Chart
from dashboard.charts.words import clean_text
from dashboard.exports.picture import KINDS, MIME, Caption, draw_picture, draw_slide
from dashboard.exports.table import clean_columns, write_csv


def show_chart(chart: Chart, *, key: str, on_pick: Callable[[], None] | None = None) -> None:
    """Draw a chart; a click on a mark runs `on_pick`, which reads the pick from the session under `key`."""
    st.vega_lite_chart(
        chart.spec | {"datasets": chart.data},
        width="stretch",
        theme=None,
        key=key,
        on_select=on_pick or "ignore",
        selection_mode="pick" if on_pick else None,
        alt=chart.alt,
    )


def picked(key: str, field: str) -> str | None:
    """Return what was last clicked in the chart drawn under `key`, or None."""
    state: Any = st.session_state.get(key) or {}
    points = (state.get("selection") or {}).get("pick") or []
    return points[0].get(field) if points else None


def pick_key(name: str, chosen: str | None) -> str:
    """Return a chart key that is renewed when the choice was made elsewhere.

    A chart forgets nothing by itself: after a choice by box or table, a second click on the mark clicked last
    would say nothing new and be lost.
    """
    last: tuple[int, str | None] = st.session_state.get(f"{name}_last", (0, None))
    if last[1] is not None and last[1] != chosen:
        last = (last[0] + 1, None)
        st.session_state[f"{name}_last"] = last
    return f"{name}_{last[0]}"


def remember_pick(name: str, key: str, value: str) -> None:
    """Note that `value` was chosen by a click in the chart drawn under `key`."""
    st.session_state[f"{name}_last"] = (int(key.rsplit("_", 1)[1]), value)


def file_stem(*parts: str) -> str:
    """Make a file name of words: letters, digits and hyphens only."""
    return re.sub(r"[^a-z0-9]+", "-", clean_text(" ".join(parts)).casefold()).strip("-")[:80] or "kinbay"


def offer_downloads(
    make: Callable[[], tuple[Chart, Caption]], rows: pl.DataFrame, stem: str, *, key: str
) -> None:
    """Offer the chart as picture and the rows as CSV; files are made only when asked for."""
    with st.popover("Save or print", icon=":material/download:"):
        for kind in KINDS:
            st.download_button(
                {"png": "Picture (PNG)", "svg": "Drawing (SVG)", "pdf": "Page (PDF)"}[kind],
                partial(_draw, make, kind),
                file_name=f"{stem}.{kind}",
                mime=MIME[kind],
                key=f"{key}_{kind}",
                on_click="ignore",
                width="stretch",
            )
        st.download_button(
            "Slide, 16:9 (PNG)",
            partial(_draw_slide, make),
            file_name=f"{stem}-slide.png",
            mime=MIME["png"],
            key=f"{key}_slide",
            on_click="ignore",
            width="stretch",
        )
        offer_csv(rows, stem, key=key, label="Rows (CSV)", width="stretch")
        st.caption("Title, filters, counts, data date and caveat are drawn in.")


def offer_csv(
    rows: pl.DataFrame,
    stem: str,
    *,
    key: str,
    label: str = "Save these rows (CSV)",
    width: Literal["stretch", "content"] = "content",
) -> None:
    """Offer rows as CSV that no spreadsheet program runs as a formula."""
    st.download_button(
        label,
        partial(write_csv, rows),
        file_name=f"{stem}.csv",
        mime=MIME["csv"],
        key=f"{key}_csv",
        on_click="ignore",
        width=width,
    )


def offer_pages(
    make: Callable[[str], bytes], stem: str, *, key: str, label: str = "Page for a manager", note: str = ""
) -> None:
    """Offer one page to hand over, made only when asked for.

    Parameters
    ----------
    make : callable
        Takes "pdf" or "html" and returns the file.
    stem, key : str
        Name of the file without its ending; names the buttons.
    label, note : str
        What the button says; a line on what the page holds.
    """
    with st.popover(label, icon=":material/print:"):
        for kind, said in (("pdf", "To print (PDF)"), ("html", "To open anywhere (HTML)")):
            st.download_button(
                said,
                partial(make, kind),
                file_name=f"{stem}.{kind}",
                mime=MIME[kind],
                key=f"{key}_{kind}",
                on_click="ignore",
                width="stretch",
            )
        if note:
            st.caption(note)


def _draw(make: Callable[[], tuple[Chart, Caption]], kind: str) -> bytes:
    chart, caption = make()
    return draw_picture(chart, caption, kind)


def _draw_slide(make: Callable[[], tuple[Chart, Caption]]) -> bytes:
    chart, caption = make()
    return draw_slide(chart, caption)


def show_table(
    rows: pl.DataFrame,
    columns: dict[str, Any],
    *,
    key: str,
    alt: str,
    height: int | None = None,
    save: str = "",
) -> None:
    """Draw a table of the named columns, texts cleaned, nothing selectable; `save` names a file of its rows."""
    shown = clean_columns(rows.select(list(columns)))
    st.dataframe(
        shown,
        column_config=columns,
        hide_index=True,
        key=key,
        height=height or "auto",
        placeholder="–",
        alt=alt,
    )
    if save:
        offer_csv(shown, save, key=f"{key}_save")
