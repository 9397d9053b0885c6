"""Second page: one reading across siblings, and one van among them."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.frame import span
from dashboard.charts.palette import GLYPHS, WORDS
from dashboard.charts.series import draw_series
from dashboard.charts.siblings import MOST_COHORTS, draw_siblings, say_outside
from dashboard.charts.words import CAVEAT, Reading, say_evidence, say_verdict, say_weight
from dashboard.exports.picture import SERIES_KEY, SIBLINGS_KEY
from dashboard.exports.reading_pictures import picture_series, picture_siblings
from dashboard.exports.table import clean_columns
from dashboard.parts.links import (
    choose_channel,
    choose_reading,
    choose_van,
    link_to_van,
    list_readings,
    most_telling_reading,
)
from dashboard.parts.physics import show_physics
from dashboard.parts.plain import escape
from dashboard.parts.screen import (
    file_stem,
    offer_downloads,
    pick_key,
    picked,
    remember_pick,
    show_chart,
)
from dashboard.parts.view import View, page
from dashboard.questions import findings, siblings, vans, within
from pipeline.compare.score import Rules
from pipeline.counted import count_of
from pipeline.settings import Home

_ORDER = {"above": 0, "below": 0, "borderline": 1, "within": 2, "not_judged": 3}


def take_pick(key: str) -> None:
    """A click on a mark chooses its van."""
    van = picked(key, "van")
    if van is not None:
        st.session_state["reading_van"] = van
        remember_pick("reading_strip", key, van)


def take_row(key: str, names: list[str]) -> None:
    """A click on a row chooses its van."""
    rows = st.session_state[key]["selection"]["rows"]
    if rows:
        st.session_state["reading_van"] = names[rows[0]]


def show_verdict(own: dict[str, Any] | None, van: str | None, reading: Reading, cells: pl.DataFrame) -> None:
    """Say how the chosen van stands, or what to do to choose one."""
    with st.container(border=True):
        if own is not None:
            st.markdown(f"{GLYPHS[own['verdict']]} **{escape(say_verdict(own, reading))}**")
            st.write(escape(f"{say_evidence(own, reading)} {say_weight(own)}"))
        elif van is not None:
            st.markdown(f"**{escape(f'Van {van} was never read for {reading.title}.')}**")
            st.write("Not scanned is not the same as no fault.")
        else:
            st.markdown(f"**{say_outside(cells)}**")
            st.write("Choose a van in the box, on the chart or in the table to see how it stands.")
        st.caption(CAVEAT)


def order_rows(cells: pl.DataFrame) -> pl.DataFrame:
    """Those outside first, then by distance."""
    rank = pl.col("verdict").replace_strict(_ORDER, return_dtype=pl.Int64)
    return cells.sort(
        rank, pl.col("difference").abs(), "van", descending=[False, True, False], nulls_last=True
    )


def show_rows(view: View, cells: pl.DataFrame, reading: Reading, van: str | None) -> None:
    """The same vans as a table, each with its scans of the last year as a line on one common scale."""
    rows = order_rows(cells)
    lines = siblings.list_sparklines(view.warehouse, reading.parameter, reading.state, rows["van"].to_list())
    verdicts = [f"{GLYPHS[v]} {WORDS[v]}" for v in rows["verdict"]]
    table = clean_columns(
        rows.select(
            "van", pl.Series("stands", verdicts), "value", "difference", "n_scans", "n_siblings"
        ).join(lines, on="van", how="left", maintain_order="left")
    ).select("van", "stands", "difference", "scan_values", "n_scans", "value", "n_siblings")
    low, high = span(lines["scan_values"].explode().to_list(), padding=0)  # one scale, so that lines compare
    number = f"%.{reading.decimals}f"
    selected: Any = {"selection": {"rows": [rows["van"].to_list().index(van)] if van in rows["van"] else []}}
    names = rows["van"].to_list()
    # A new key for each choice lets the table show the chosen van, however it was chosen.
    key = f"reading_rows_{reading.parameter}_{reading.state}_{reading.channel}_{van}"
    st.dataframe(
        table,
        hide_index=True,
        height=min(430, 37 * (rows.height + 1)),
        key=key,
        on_select=partial(take_row, key, names),
        selection_mode="single-row",
        selection_default=selected,
        placeholder="–",
        alt=f"Vans by {reading.title}: verdict, difference from siblings, scans.",
        column_config={
            "van": st.column_config.TextColumn("Van", width=48),
            "stands": st.column_config.TextColumn("Stands", width=138),
            "difference": st.column_config.NumberColumn(
                f"Diff., {reading.unit}", format=f"%+.{reading.decimals}f", width=72
            ),
            "scan_values": st.column_config.LineChartColumn("Past year", y_min=low, y_max=high, width=58),
            "value": st.column_config.NumberColumn(f"Value, {reading.unit}", format=number, width=72),
            "n_scans": st.column_config.NumberColumn("Scans", width=52),
            "n_siblings": st.column_config.NumberColumn("Siblings", width=70),
        },
    )


def show_limits(view: View, reading: Reading, van: str) -> None:
    """Say what readers claim as limits, beside and never instead of the siblings."""
    for row in siblings.list_reader_limits(view.warehouse, reading.parameter, reading.state, van).iter_rows(
        named=True
    ):
        between = f"{reading.say(row['low'], unit=False)} to {reading.say(row['high'])}"
        st.caption(
            escape(
                f"{row['reader']} shows {between} as its own limit: {row['n_vans_outside']} of"
                f" {count_of(row['n_vans'], 'van')} of this group stand outside it ({count_of(row['n_scans'], 'scan')})."
                " A reader's limit is a claim whose model year is not known."
            )
        )


def show_history(view: View, van: str, reading: Reading) -> None:
    """One van over time over its siblings' band."""
    st.header(f"Van {escape(van)} over time", anchor=False)
    scans = vans.list_van_scan_values(view.warehouse, van, reading.parameter, reading.state)
    if scans.is_empty():
        st.info("No scan of this van has this reading.", icon=":material/event_busy:")
        return
    months = vans.list_sibling_months(view.warehouse, van, reading.parameter, reading.state)
    events = vans.list_van_events(view.warehouse, van)
    show_chart(draw_series(van, scans, months, events, reading, view.theme), key="reading_series")
    st.caption(SERIES_KEY)
    offer_downloads(
        partial(picture_series, view.warehouse, van, reading),
        scans,
        file_stem("van", van, reading.title, "over time"),
        key="series_save",
    )


def compare(view: View, reading: Reading) -> within.Compared:
    """One row per shown van with this reading: against all siblings, or within the filter where asked."""
    evidence = Home.find().settings.evidence
    rules = Rules(min_siblings=evidence.min_siblings, small_group=evidence.small_group_siblings)
    asked = (reading.parameter, reading.state, reading.channel)
    return within.compare(view.warehouse, asked, view.vans, view.filters, reading.unit, rules)


@page("Compare one reading")
def show(view: View) -> None:
    """One reading across siblings."""
    readings = list_readings(view)
    if not readings:
        st.info(
            "No reading has been compared yet. Load more scans, then run `kinbay build`.",
            icon=":material/inbox:",
        )
        return
    found = findings.list_findings(view.warehouse, view.vans)
    left, middle, right = st.columns([5, 3, 5], vertical_alignment="bottom")
    notes = st.empty()
    with left:
        reading = choose_reading(readings, most_telling_reading(readings, found))
    with middle:
        van = choose_van(view, "reading_van", placeholder="Choose a van, or click a mark", notes=notes)
    with right:
        channel = choose_channel("reading_measure")
    if reading is None:
        return
    reading = Reading(**{**vars(reading), "channel": channel})
    asked = (view.warehouse, reading.parameter, reading.state, reading.channel)
    compared = compare(view, reading)
    cells = compared.cells
    if cells.is_empty():
        st.info(
            f"No van shown here has {escape(reading.title)}. Choose another reading or show all vans.",
            icon=":material/search_off:",
        )
        return
    if compared.label:
        st.warning(
            f"{compared.label} Filter: {escape(view.filters.describe())}.", icon=":material/filter_alt:"
        )
    undecoded = siblings.list_unseen_cells(*asked, view.vans)
    listed = pl.concat([cells, undecoded], how="diagonal_relaxed").with_columns(
        pl.col("is_small_group", "is_fallback", "robust").fill_null(False)
    )
    own = next(listed.filter(pl.col("van") == pl.lit(van)).iter_rows(named=True), None) if van else None
    show_verdict(own, van, reading, cells)
    chart_side, table_side = st.columns([9, 11], gap="medium")
    with chart_side:
        key = pick_key("reading_strip", van)
        chart = draw_siblings(cells, compared.ranges, reading, van, view.theme)
        show_chart(chart, key=key, on_pick=partial(take_pick, key))
        if cells["cohort_id"].n_unique() > MOST_COHORTS:
            st.caption(
                f"{MOST_COHORTS} groups drawn of {cells['cohort_id'].n_unique()}; narrow the filters to see others."
            )
        st.caption(SIBLINGS_KEY)
    with table_side:
        show_rows(view, listed, reading, van)
        offer_downloads(
            partial(picture_siblings, view.warehouse, reading, van, view.filters, compared),
            order_rows(listed).with_columns(
                pl.lit("the shown vans alone" if compared.is_within else "all siblings").alias(
                    "compared_with"
                )
            ),
            file_stem("siblings", reading.title),
            key="strip_save",
        )
        if van:
            show_limits(view, reading, van)
            link_to_van(f"All readings of van {escape(van)}", van)
    show_physics(view, reading, van)
    if van:
        show_history(view, van, reading)


show()
