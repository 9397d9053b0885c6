"""Where differences come from: model year, van, reader, parking and fittings, or one scan to the next."""

from __future__ import annotations

from functools import partial

import polars as pl
import streamlit as st

from dashboard.charts.shares import PARTS, draw_shares, say_reading, say_share
from dashboard.charts.words import CAVEAT, Reading, clean_text
from dashboard.exports.share_pictures import SHARES_KEY, picture_shares
from dashboard.parts.links import is_open, link_to, name_stray, seed
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, offer_downloads, show_chart
from dashboard.parts.view import View, page
from dashboard.questions.shares import list_variance_shares

_FIRST_STATE = "warm_idle"
HOW = (
    "**How to read it.** A long *Van* piece: vans of one year stay apart, so holding one against its siblings tells"
    " something. A long *Scan to scan* piece: read it several times in one state before you trust it. A long *Reader*"
    " piece: agree on one reader before you compare vans. A long *Model year* piece: compare within the year only."
)


def choose_state(shares: pl.DataFrame) -> str | None:
    """Draw the state box and return the chosen state's key."""
    names = dict(
        shares.select(pl.coalesce("state_name", "state"), "state").unique(maintain_order=True).iter_rows()
    )
    by_key = {key: name for name, key in names.items()}
    first = by_key.get(_FIRST_STATE, next(iter(names)))
    if is_open("shares_state"):
        seed("shares_state", first, clean_text(first))
    if name_stray("shares_state", list(names), "No reading was shared out in the state"):
        return None
    chosen = st.selectbox("State", list(names), index=None, key="shares_state", bind="query-params")
    return str(names[chosen if chosen in names else first])


def show_one(rows: pl.DataFrame) -> None:
    """One reading in words: the twin of pointing at its bar."""
    readings = {
        Reading.from_row(row).title: row
        for row in rows.unique("parameter", maintain_order=True).iter_rows(named=True)
    }
    title = st.selectbox(
        "Reading", list(readings), index=None, key="shares_reading", bind="query-params",
        placeholder="Choose a reading for its figures",
    )  # fmt: skip
    name_stray("shares_reading", list(readings), "In this state there is no reading called")
    if title not in readings:
        return
    own = rows.filter(pl.col("parameter") == readings[title]["parameter"])
    reading = Reading.from_row(readings[title])
    with st.container(border=True):
        st.markdown(f"**{escape(say_reading(own, reading))}**")
        by_part = {row["part"]: row for row in own.iter_rows(named=True)}
        for part in (p for p in PARTS if p in by_part):
            size = by_part[part]["deviation"]
            spread = f"; standard deviation {reading.say(size)}" if size is not None else ""
            st.markdown(f"- {escape(say_share(by_part[part]) + spread)}")
    link_to("reading", "See the vans in this reading", icon=":material/scatter_plot:", reading=reading.title)


@page("Where differences come from", is_filtered=False)
def show(view: View) -> None:
    """Stacked bars, one a reading."""
    shares = list_variance_shares(view.warehouse)
    if shares.is_empty():
        st.info(
            "Nothing is shared out yet: it takes scans of at least 6 vans in one reading over the last year.",
            icon=":material/inbox:",
        )
        return
    st.markdown(
        "Is a difference the van's own, its model year's, the reader's, or just one scan against the next?"
    )
    state = choose_state(shares)
    if state is None:
        return
    rows = shares.filter(pl.col("state") == state)
    name = str(rows["state_name"][0] or state)
    show_chart(draw_shares(rows, name, view.theme), key="shares_chart")
    st.caption(SHARES_KEY)
    st.markdown(HOW)
    show_one(rows)
    st.caption(CAVEAT)
    offer_downloads(
        partial(picture_shares, view.warehouse, state),
        rows,
        file_stem("differences", name),
        key="shares_save",
    )


show()
