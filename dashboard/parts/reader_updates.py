"""What readers' software updates did to readings: a choice, a sentence, a chart and its files."""

from __future__ import annotations

from functools import partial

import polars as pl
import streamlit as st

from dashboard.charts.reader_words import name_update, say_updated
from dashboard.charts.shift_rows import MOST_ROWS, draw_shifts
from dashboard.charts.words import clean_text
from dashboard.exports.reader_pictures import UPDATE_KEY, choose_update, picture_update
from dashboard.parts.links import is_open, name_stray, seed
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, offer_downloads, show_chart
from dashboard.parts.view import View
from dashboard.questions.readers import list_reader_updates


def show_updates(view: View) -> None:
    """Draw how far readings moved at an update, for one update at a time."""
    st.header("Software updates", anchor=False)
    rows = list_reader_updates(view.warehouse)
    names = list(dict.fromkeys(name_update(row) for row in rows.iter_rows(named=True)))
    if not names:
        st.write(
            "No reader was seen with more than one software over the last two years. Where scans name the reader's"
            " software, a reading that steps at an update is told as the reader's, not as a van's."
        )
        return
    if is_open("reader_update"):
        seed("reader_update", names[0], clean_text(names[0]))
    name_stray("reader_update", names, "There is no update called")
    asked = st.selectbox(
        "Update", names, index=None, key="reader_update", bind="query-params", format_func=clean_text
    )
    chosen = asked if asked in names else names[0]
    own = choose_update(rows, chosen)
    st.markdown(f"**{escape(say_updated(own))}**")
    judged = own.filter(pl.col("p").is_not_null())
    if judged.is_empty():
        return
    show_chart(draw_shifts(judged, chosen, None, view.theme), key="reader_update_chart")
    more = f" The {MOST_ROWS} surest of {judged.height} are drawn." if judged.height > MOST_ROWS else ""
    st.caption(UPDATE_KEY + more)
    offer_downloads(
        partial(picture_update, view.warehouse, chosen), own, file_stem("update", chosen), key="update_save"
    )
