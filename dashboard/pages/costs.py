"""Keep or retire: what each van cost and how long it stood, beside its siblings."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.costs import (
    MOST_VANS,
    draw_costs,
    say_cost,
    say_days,
    say_intervals,
    say_next,
    stands,
)
from dashboard.charts.words import clean_text
from dashboard.exports.cost_pictures import COSTS_CAVEAT, COSTS_KEY, picture_costs
from dashboard.exports.fleet_tables import tell_costs
from dashboard.parts.links import choose_van, link_to, link_to_van
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, offer_csv, offer_downloads, show_chart, show_table
from dashboard.parts.view import View, page
from dashboard.questions import costs
from pipeline.counted import count_of


def say_record(rows: pl.DataFrame) -> str:
    """Say how much of the work has a cost at all."""
    n, costed = int(rows["n_work"].sum()), int(rows["n_costed"].sum())
    if not n:
        return "No work is on record for the vans shown."
    if costed == n:
        return f"{count_of(n, 'entry')}, each with a cost."
    return (
        f"{costed} of {n} entries have a cost ({100 * costed / n:.0f} %); on the others it was not recorded."
    )


def show_list(rows: pl.DataFrame) -> None:
    """All vans shown, with what is not recorded left blank and said beside it."""
    table = tell_costs(rows)
    show_table(
        table.with_columns(pl.col("cost_per_10000_km", "km").round(0)),
        {
            "van": st.column_config.TextColumn("Van", width=58),
            "cohort": st.column_config.TextColumn("Group", width=192),
            "cost_per_10000_km": st.column_config.NumberColumn(
                "Cost / 10,000 km", format="localized", width=118
            ),
            "span": st.column_config.TextColumn("Siblings", width=94),
            "stands": st.column_config.TextColumn("Cost stands", width=156),
            "days_per_10000_km": st.column_config.NumberColumn("Days / 10,000 km", format="%.1f", width=116),
            "days_span": st.column_config.TextColumn("Siblings", width=84),
            "said_cost": st.column_config.TextColumn(
                "Cost in all", help="And how many entries have one.", width=116
            ),
            "days_standing": st.column_config.NumberColumn("Days", format="%.1f", width=50),
            "km": st.column_config.NumberColumn("Km", format="localized", width=66),
        },
        key="cost_list",
        alt="Vans: cost per 10,000 km, siblings, cost, entries with a cost, days standing, distance.",
        height=min(430, 37 * (rows.height + 1)),
    )
    offer_csv(table.drop("cohort_id"), "costs", key="cost_rows")


def show_van(view: View, row: dict[str, Any]) -> None:
    """The chosen van: its costs in words, year by year, entry by entry."""
    van = row["van"]
    entries = costs.list_van_cost_entries(view.warehouse, van)
    known = entries["cost"].drop_nulls().to_list()
    with st.container(border=True, gap="xsmall"):
        st.markdown(f"**{escape(stands(row))}.** {escape(say_cost(row))}")
        st.write(escape(say_days(row)))
        st.write(escape(say_intervals(row, known)))
        st.markdown(f"**Next.** {escape(say_next(row, entries.to_dicts()))}")
        st.caption(COSTS_CAVEAT)
    years = costs.list_van_cost_years(view.warehouse, van)
    st.header("Year by year", anchor=False)
    show_table(
        years.with_columns(
            pl.format("{} of {}", "n_costed", "n_work").alias("recorded"),
            pl.col("cost_year").cast(pl.String),
            pl.col("km").round(0),
        ),
        {
            "cost_year": st.column_config.TextColumn("Year", width=60),
            "n_work": st.column_config.NumberColumn("Entries", width=70),
            "cost": st.column_config.NumberColumn("Cost", format="localized", width=80),
            "recorded": st.column_config.TextColumn("With cost", width=90),
            "days_standing": st.column_config.NumberColumn("Days standing", format="%.1f", width=110),
            "km": st.column_config.NumberColumn("Km covered", format="localized", width=96),
        },
        key="cost_years",
        save=file_stem("van", van, "costs by year"),
        alt=f"Costs of van {clean_text(van)} year by year.",
    )
    st.caption("First and last year may be cut short by where the records begin and end.")
    if entries.height:
        show_table(
            entries.with_columns(pl.col("odometer_km").round(0)),
            {
                "worked_at": st.column_config.DateColumn("On", format="DD MMM YYYY", width=92),
                "what": st.column_config.TextColumn("What", width=74),
                "part": st.column_config.TextColumn("Part", width=116),
                "cost": st.column_config.NumberColumn("Cost", format="%.2f", width=72),
                "days_standing": st.column_config.NumberColumn("Days", format="%.1f", width=48),
                "odometer_km": st.column_config.NumberColumn("Km", format="localized", width=70),
                "note": st.column_config.TextColumn("Note", width="medium"),
            },
            key="cost_entries",
            save=file_stem("van", van, "work and costs"),
            alt=f"Work on van {clean_text(van)} with its cost.",
            height=min(320, 37 * (entries.height + 1)),
        )
    link_to_van(f"All readings of van {escape(van)}", van)
    link_to("repairs", "Did the work hold", icon=":material/build:")


@page("Keep or retire")
def show(view: View) -> None:
    """All vans by cost, then one of them."""
    rows = costs.list_van_costs(view.warehouse, view.vans)
    if rows.is_empty() or not rows["n_work"].sum():
        st.info(
            "No work is on record for the vans shown. Write down each job with its cost, the days the van stood and the"
            " odometer: then vans can be held against their siblings, per van and per 10,000 km.",
            icon=":material/payments:",
        )
        link_to("enter", "Write down work", icon=":material/edit_note:")
        return
    st.markdown(f"**{escape(say_record(rows))}**")
    first = rows.row(0, named=True)
    st.caption(
        f"{first['window_from']:%d %b %Y} to {first['window_to']:%d %b %Y}, in the fleet's own currency."
    )
    van = choose_van(view, "cost_van", placeholder="Choose a van")
    known = rows.filter(pl.col("cost_per_10000_km").is_not_null())
    own = rows.filter(pl.col("van") == pl.lit(van)) if van is not None else rows.head(0)
    left, right = st.columns([1, 1], gap="medium") if own.height else (st.container(), st.container())
    with left:
        if known.is_empty():
            st.info(
                "No van shown has both a cost and two odometers far enough apart (5,000 km unless your settings say"
                " otherwise). Write down the odometer at every scan, and the cost of every job.",
                icon=":material/search_off:",
            )
        else:
            show_chart(draw_costs(known, van, view.theme), key="cost_chart")
            more = (
                f" The {MOST_VANS} furthest above their siblings are drawn of {known.height}."
                if known.height > MOST_VANS
                else ""
            )
            st.caption(COSTS_KEY + more)
            offer_downloads(
                partial(picture_costs, view.warehouse, view.filters, van),
                known,
                "cost-per-10000-km",
                key="cost_save",
            )
    with right:
        if own.height:
            show_van(view, own.row(0, named=True))
        else:
            st.write("Choose a van in the box to see its years and entries.")
    st.header("All vans shown", anchor=False)
    show_list(rows)


show()
