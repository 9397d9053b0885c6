"""Parking and fittings: which readings and codes go with what the vans are exposed to."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.code_names import Code
from dashboard.charts.exposure_words import (
    NOT_CAUSE,
    Contrast,
    say_along,
    say_count,
    say_decides,
    say_effect,
    say_figures,
    say_pairs,
    say_twin,
)
from dashboard.charts.exposures import MOST_COHORTS, draw_exposure
from dashboard.charts.palette import GLYPHS
from dashboard.charts.shift_rows import MOST_ROWS, draw_shifts, grade, say_q, say_shift
from dashboard.charts.words import CAVEAT, Reading
from dashboard.exports.exposure_pictures import (
    EXPOSURE_KEY,
    SHIFTS_KEY,
    choose_rows,
    picture_exposure,
    picture_exposure_shifts,
)
from dashboard.parts.code_odds import show_odds
from dashboard.parts.links import is_open, link_to, name_stray, seed
from dashboard.parts.plain import escape
from dashboard.parts.screen import (
    file_stem,
    offer_downloads,
    pick_key,
    picked,
    remember_pick,
    show_chart,
    show_table,
)
from dashboard.parts.view import View, page
from dashboard.questions import exposures
from pipeline.counted import count_of

_GLYPHS = {
    "higher": GLYPHS["above"],
    "lower": GLYPHS["below"],
    "likely": GLYPHS["borderline"],
    "unsure": GLYPHS["within"],
}


def choose(box: str, key: str, names: list[str], what: str) -> str | None:
    """Draw a box, the first name chosen where none is yet; None where the address asks for another."""
    if is_open(key):
        seed(key, names[0], names[0])
    is_stray = name_stray(key, names, what)
    chosen = st.selectbox(box, names, index=None, key=key, bind="query-params")
    return None if is_stray else chosen if chosen in names else names[0]


def take_pick(key: str) -> None:
    """A click on a mark chooses its reading."""
    title = picked(key, "cell")
    if title is not None:
        st.session_state["parking_reading"] = title
        remember_pick("parking_shifts", key, title)


def show_shifts(view: View, rows: pl.DataFrame, contrast: Contrast, reading: Reading) -> None:
    """All readings tested, the surest first."""
    key = pick_key("parking_shifts", reading.title)
    chart = draw_shifts(rows, contrast.title, reading.title, view.theme)
    show_chart(chart, key=key, on_pick=partial(take_pick, key))
    more = (
        f" The {MOST_ROWS} surest of {rows.height} are drawn; the saved rows have all."
        if rows.height > MOST_ROWS
        else ""
    )
    st.caption(SHIFTS_KEY + more)
    offer_downloads(
        partial(picture_exposure_shifts, view.warehouse, contrast),
        rows,
        file_stem(contrast.title, "all readings"),
        key="shifts_save",
    )


def show_verdict(view: View, row: dict[str, Any], contrast: Contrast, reading: Reading) -> None:
    """What is claimed of one reading, what goes along, what would decide."""
    overlaps = exposures.list_exposure_overlaps(view.warehouse, contrast.attribute, contrast.level)
    with st.container(border=True, gap="xsmall"):
        st.markdown(f"{_GLYPHS[grade(row)]} **{escape(say_effect(row, contrast, reading))}**")
        st.write(escape(f"{say_figures(row, contrast, reading)} {say_pairs(row, reading)}"))
        twin = say_twin(row)
        if twin:
            st.markdown(f"**{escape(twin)}**")
        if row["effect"]:
            st.write("It is taken off before vans are compared.")
        st.markdown(f"**What would decide.** {escape(say_decides(row, contrast, reading))}")
        for line in say_along(overlaps.iter_rows(named=True)):
            st.caption(escape(line))
        st.caption(f"{NOT_CAUSE} {CAVEAT}")


def show_vans(view: View, contrast: Contrast, reading: Reading) -> pl.DataFrame:
    """The chosen reading, van by van, and return the rows drawn."""
    st.header(f"{escape(reading.title)}, van by van", anchor=False)
    levels = (contrast.level, contrast.other)
    vans = exposures.list_exposure_vans(
        view.warehouse, contrast.attribute, levels, reading.parameter, reading.state, view.vans
    )
    if vans.is_empty():
        st.info(
            "No van shown was read at either level in a group that holds both. Show all vans to see them.",
            icon=":material/search_off:",
        )
        return vans
    show_chart(draw_exposure(vans, contrast, reading, view.theme), key="parking_vans")
    n_cohorts = vans["cohort_id"].n_unique()
    more = (
        f" {MOST_COHORTS} groups of {n_cohorts} are drawn; the saved rows have all."
        if n_cohorts > MOST_COHORTS
        else ""
    )
    st.caption(EXPOSURE_KEY + more)
    offer_downloads(
        partial(picture_exposure, view.warehouse, contrast, reading, view.filters),
        vans,
        file_stem(contrast.title, reading.title),
        key="exposure_save",
    )
    chosen = {"reading": reading.title}
    link_to("reading", "Compare this reading van by van", icon=":material/scatter_plot:", **chosen)
    return vans


def show_changes(view: View, contrast: Contrast, vans: pl.DataFrame, reading: Reading) -> None:
    """Vans that changed sides, with dates, and what the chosen reading did."""
    st.header("Who changed, and when", anchor=False)
    changes = exposures.list_exposure_changes(view.warehouse, contrast.attribute, view.vans)
    if changes.is_empty():
        st.write(f"No dated change of {escape(contrast.what)} is on record for the vans shown.")
        return
    sides = {}
    for is_exposed, name in ((True, "at"), (False, "other")):
        mine = vans.filter(pl.col("is_exposed") == is_exposed) if vans.height else vans
        sides[name] = dict(mine.select("van", "value").iter_rows())
    told = [
        {
            "van": row["van"],
            "changed_on": row["changed_on"],
            "change": f"{row['name_before']} to {row['level_name']}",
            "at": _say_known(sides["at"].get(row["van"]), reading),
            "other": _say_known(sides["other"].get(row["van"]), reading),
        }
        for row in changes.iter_rows(named=True)
    ]
    show_table(
        pl.DataFrame(told),
        {
            "van": st.column_config.TextColumn("Van", width=64),
            "changed_on": st.column_config.DateColumn("On", format="DD MMM YYYY", width=100),
            "change": st.column_config.TextColumn("Change", width=180),
            "at": st.column_config.TextColumn(f"{contrast.name}, mean", width=120),
            "other": st.column_config.TextColumn(f"{contrast.other_name}, mean", width=120),
        },
        key="exposure_changes",
        save="dated-changes",
        alt=f"Dated changes of {contrast.what}",
        height=min(320, 37 * (changes.height + 1)),
    )
    st.caption("Means of the past year, season and reader taken off.")


def _say_known(value: float | None, reading: Reading) -> str:
    return "not read" if value is None else reading.say(value)


def show_codes(view: View, contrast: Contrast) -> None:
    """Codes tested against the exposure."""
    st.header("Codes that go with it", anchor=False)
    rows = exposures.list_exposure_codes(view.warehouse, contrast.attribute)
    if rows.is_empty():
        st.write("No code stands on enough vans, and is missing on enough, to be tested against it.")
        return
    names = [Code.from_row(r).name for r in rows.iter_rows(named=True)]
    show_odds(
        rows.with_columns(pl.Series("name", names, dtype=pl.String)),
        {
            "name": st.column_config.TextColumn("Code", width=300),
            "level_name": st.column_config.TextColumn("More with", width=90),
        },
        {},
        key="parking_codes",
        alt=f"Codes tested against {contrast.what}: vans with it, odds ratio, interval.",
    )
    first = rows.row(0, named=True)
    link_to("codes", "See the first of them over time", icon=":material/fact_check:", code=Code.from_row(first).short)  # fmt: skip


def show_all(rows: pl.DataFrame, contrast: Contrast) -> None:
    """Every reading tested, as a table."""
    readings = [Reading.from_row(r) for r in rows.iter_rows(named=True)]
    told = rows.with_columns(
        pl.Series("title", [r.title for r in readings], dtype=pl.String),
        pl.Series("difference", [say_shift(row, reading) for row, reading in zip(rows.iter_rows(named=True), readings, strict=True)], dtype=pl.String),
        pl.Series("paired", [say_pairs(row, reading) if row["n_pairs"] else "" for row, reading in zip(rows.iter_rows(named=True), readings, strict=True)], dtype=pl.String),
        pl.Series("twin", [say_twin(row) for row in rows.iter_rows(named=True)], dtype=pl.String),
        pl.Series("sure", [say_q(q).removeprefix("q ") for q in rows["q"]], dtype=pl.String),
    )  # fmt: skip
    show_table(
        told,
        {
            "title": st.column_config.TextColumn("Reading", width="medium"),
            "difference": st.column_config.TextColumn("Difference (95 %)", width=190),
            "sure": st.column_config.TextColumn("q", width=90),
            "n_vans": st.column_config.NumberColumn(f"Vans {contrast.name}", width=90),
            "n_vans_other": st.column_config.NumberColumn(f"Vans {contrast.other_name}", width=100),
            "n_cohorts": st.column_config.NumberColumn("Groups", width=70),
            "paired": st.column_config.TextColumn("Seen both ways", width="medium"),
            "twin": st.column_config.TextColumn("Goes with", width="medium"),
        },
        key="parking_all",
        alt=f"Every reading tested: {contrast.title}",
        height=min(360, 37 * (rows.height + 1)),
    )


@page("Parking and fittings")
def show(view: View) -> None:
    """One exposure, all readings; then one reading."""
    every = exposures.list_exposure_effects(view.warehouse)
    if every.is_empty():
        st.info(
            "Nothing to compare yet: in no group do enough vans differ in parking or a fitting. Write them into the"
            " register or an exposures file, with dates where they changed, then build.",
            icon=":material/inbox:",
        )
        return
    contrasts = {c.title: c for c in map(Contrast.from_row, every.iter_rows(named=True))}
    first_line = st.empty()
    left, right = st.columns(2, vertical_alignment="bottom")
    with left:
        title = choose("What is compared", "parking", list(contrasts), "No vans were compared by")
    if title is None:
        return
    contrast = contrasts[title]
    rows = choose_rows(every, contrast)
    readings = {r.title: (r, row) for row in rows.iter_rows(named=True) for r in [Reading.from_row(row)]}
    with right:
        name = choose("Reading", "parking_reading", list(readings), "Not tested against it:")
    first_line.markdown(f"**{escape(f'{contrast.title}. {say_count(rows.to_dicts())}')}** {NOT_CAUSE}")
    reading, row = readings[name or next(iter(readings))]
    chart_side, words_side = st.columns([1, 1], gap="medium")
    with chart_side:
        show_shifts(view, rows, contrast, reading)
    with words_side:
        show_verdict(view, row, contrast, reading)
        with st.expander(f"All {count_of(rows.height, 'reading')} tested"):
            show_all(rows, contrast)
    vans = show_vans(view, contrast, reading)
    show_changes(view, contrast, vans, reading)
    show_codes(view, contrast)


show()
