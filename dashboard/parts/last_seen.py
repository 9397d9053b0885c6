"""Who was last asked when: a picture of vans by operating states or modules, its table, and what to measure next."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard.charts.frame import Chart
from dashboard.charts.last_seen import (
    MOST_VANS,
    RECENT_DAYS,
    draw_last_seen,
    find_gaps,
    order_columns,
    say_gap,
    title_of,
)
from dashboard.charts.palette import PRINT
from dashboard.exports.picture import Caption, caption_of
from dashboard.parts.plain import escape
from dashboard.parts.screen import offer_downloads, show_chart, show_table
from dashboard.parts.view import View
from dashboard.questions import records
from pipeline.counted import count_of

KINDS = {"Operating states": "state", "Modules": "module"}
MOST_SAID = 6
_KEY = (
    "Each tile: days since the van was last seen in the state, or since the module last answered; more ink, more recent."
    " Silent: asked, never answered. Never: no scan on record."
)


def show_last_seen(view: View) -> None:
    """Draw what to measure next, the picture and the table."""
    st.header("Who was last seen when", anchor=False)
    rows = records.list_last_seen(view.warehouse, view.vans, RECENT_DAYS)
    if rows.is_empty():
        st.write("No scan says yet in which state a van was, or which module answered.")
        return
    _say_next(rows)
    word = st.segmented_control(
        "Show", list(KINDS), default="Operating states", key="data_seen", bind="query-params", required=True
    )
    kind = KINDS.get(word or "", "state")
    columns = order_columns(rows, kind)
    own = rows.filter((pl.col("kind") == kind) & pl.col("name").is_in(columns))
    if own.is_empty():
        st.write(
            "No scan of these vans says which modules answered." if kind == "module" else "No state is known."
        )
        return
    show_chart(draw_last_seen(rows, kind, view.theme), key=f"data_seen_{kind}")
    if (left := own["van"].n_unique() - MOST_VANS) > 0:
        st.caption(f"The {MOST_VANS} vans that lack most; the table has the other {left} too.")
    _show_twin(view, own, kind)


def _say_next(rows: pl.DataFrame) -> None:
    """What most siblings have of late and a van does not."""
    gaps = find_gaps(rows)
    if gaps.is_empty():
        st.write(f"No van lacks what most of its siblings have from the last {RECENT_DAYS} days.")
        return
    st.markdown(f"**What to measure next:** {count_of(gaps['van'].n_unique(), 'van')} with gaps.")
    st.markdown("\n".join(f"- {escape(say_gap(row))}" for row in gaps.head(MOST_SAID).iter_rows(named=True)))
    if gaps.height <= MOST_SAID:
        return
    with st.expander(f"All {gaps.height} gaps"):
        shown = pl.DataFrame(
            {
                "van": gaps["van"],
                "what": [title_of(k, n) for k, n in zip(gaps["kind"], gaps["name"], strict=True)],
                "days": gaps["days"],
                "n_silent": gaps["n_silent"],
                "have": [
                    f"{a} of {b}" for a, b in zip(gaps["n_siblings_recent"], gaps["n_siblings"], strict=True)
                ],
            }
        )
        show_table(
            shown,
            {
                "van": st.column_config.TextColumn("Van", width=80),
                "what": st.column_config.TextColumn("State or module"),
                "days": st.column_config.NumberColumn("Days ago"),
                "n_silent": st.column_config.NumberColumn("Asked in vain"),
                "have": st.column_config.TextColumn("Siblings that have it"),
            },
            key="data_gaps",
            save="kinbay-gaps",
            alt="What each van lacks and most of its siblings have",
        )


def _show_twin(view: View, own: pl.DataFrame, kind: str) -> None:
    """The picture's rows as a table and to take along."""
    table = pl.DataFrame(
        {
            "van": own["van"],
            "cohort": own["cohort"],
            "what": [title_of(kind, name) for name in own["name"]],
            "days": own["days"],
            "n_scans": own["n_scans"],
            "n_silent": own["n_silent"],
            "last_at": own["last_at"],
        }
    ).sort("days", "van", descending=[True, False], nulls_last=False)
    with st.expander("The same as a table"):
        show_table(
            table,
            {
                "van": st.column_config.TextColumn("Van", width=80),
                "what": st.column_config.TextColumn("State" if kind == "state" else "Module"),
                "days": st.column_config.NumberColumn("Days ago", help="Empty: never."),
                "n_scans": st.column_config.NumberColumn("Scans"),
                "n_silent": st.column_config.NumberColumn("Silent"),
                "last_at": st.column_config.DateColumn("Last", format="DD MMM YYYY"),
            },
            key=f"data_seen_table_{kind}",
            alt="Days since each van was last seen in each column of the picture",
            height=320,
        )

    def picture() -> tuple[Chart, Caption]:
        gaps = find_gaps(own)
        caption = caption_of(
            view.build,
            title=f"Who was last seen when: {'operating states' if kind == 'state' else 'modules'}",
            finding=say_gap(gaps.row(0, named=True)) if gaps.height else "",
            filters=view.filters.describe(),
            n_vans=own["van"].n_unique(),
            n_scans=int(own.group_by("van").agg(pl.col("n_scans").max())["n_scans"].sum()),
            key=_KEY,
        )
        return draw_last_seen(own, kind, PRINT), caption

    offer_downloads(picture, table, f"kinbay-last-seen-{kind}", key=f"data_seen_{kind}")
