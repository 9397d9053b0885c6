"""Readers: what each can see, and whether two of them agree on the same vans."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.agreement import draw_agreement
from dashboard.charts.reader_words import (
    NEVER_MET,
    count_meetings,
    measure_agreement,
    say_agreement,
    say_bias,
    say_limit,
    say_module,
    say_seen,
)
from dashboard.charts.shift_rows import MOST_ROWS, draw_shifts
from dashboard.charts.words import CAVEAT, Reading, clean_text
from dashboard.exports.reader_pictures import (
    AGREEMENT_KEY,
    BIAS_KEY,
    choose_two,
    picture_agreement,
    picture_biases,
)
from dashboard.parts.links import is_open, link_to, name_stray, seed
from dashboard.parts.plain import escape
from dashboard.parts.reader_updates import show_updates
from dashboard.parts.screen import (
    file_stem,
    offer_csv,
    offer_downloads,
    pick_key,
    picked,
    remember_pick,
    show_chart,
    show_table,
)
from dashboard.parts.view import View, page
from dashboard.questions import readers
from pipeline.counted import count_of
from pipeline.errors import KinbayError

_MOST_MODULES = 12


def choose(box: str, key: str, names: list[str], first: str) -> str:
    """Draw a box whose choice stands in the address; `first` where none is yet or it is not here."""
    if is_open(key):
        seed(key, first, clean_text(first))
    name_stray(key, names, "There is none called")
    chosen = st.selectbox(box, names, index=None, key=key, bind="query-params", format_func=clean_text)
    return chosen if chosen in names else first


def take_pick(key: str) -> None:
    """A click on a mark chooses its reading."""
    title = picked(key, "cell")
    if title is not None:
        st.session_state["reader_reading"] = title
        remember_pick("reader_shifts", key, title)


def say_first(listed: pl.DataFrame, meetings: pl.DataFrame) -> str:
    """Count readers, and name those that met and those that did not."""
    names = listed["reader"].to_list()
    met, n_never = count_meetings(names, meetings)
    told = [
        f"{clean_text(a)} and {clean_text(b)} met on {count_of(n, 'van')}" for (a, b), n in met.items() if n
    ]
    never = [f"{clean_text(a)} and {clean_text(b)}" for (a, b), n in met.items() if not n]
    text = f"{count_of(len(names), 'reader')} on the vans shown."
    if told:
        text += f" {'; '.join(told[:3])}."
    if n_never:
        text += f" Never within 24 hours: {'; '.join(never[:3])}."
    return text


def list_choices(
    effects: pl.DataFrame, meetings: pl.DataFrame, two: tuple[str, str]
) -> dict[str, dict[str, Any]]:
    """Return the readings that can be asked of two readers, by title: the reader's surest first, then where they met."""
    pair = sorted(two)
    mine = meetings.filter(
        (pl.col("reader") == pl.lit(pair[0])) & (pl.col("other_reader") == pl.lit(pair[1]))
    )
    rows = [*effects.iter_rows(named=True), *mine.iter_rows(named=True)]
    found: dict[str, dict[str, Any]] = {}
    for row in rows:
        found.setdefault(Reading.from_row(row).title, row)
    return found


def show_biases(view: View, effects: pl.DataFrame, reader: str, chosen: str | None) -> None:
    """A reader against the reference in every reading."""
    if effects.is_empty():
        st.info(
            f"{escape(reader)} is the reader that others are held against, or shares too few vans with them.",
            icon=":material/balance:",
        )
        return
    reference = effects["reference"][0]
    what = f"{clean_text(reader)} against {clean_text(reference)}"
    key = pick_key("reader_shifts", chosen)
    show_chart(draw_shifts(effects, what, chosen, view.theme), key=key, on_pick=partial(take_pick, key))
    more = f" The {MOST_ROWS} surest of {effects.height} are drawn." if effects.height > MOST_ROWS else ""
    st.caption(escape(f"{what}. {BIAS_KEY}{more}"))
    offer_downloads(
        partial(picture_biases, view.warehouse, reader), effects, file_stem(what), key="biases_save"
    )


def show_agreement(view: View, two: tuple[str, str], row: dict[str, Any]) -> None:
    """Two readers on the same vans within a day: verdict and chart."""
    reading = Reading.from_row(row)
    pairs = readers.list_reader_pairs(view.warehouse, two, reading.parameter, reading.state, view.vans)
    agreed = measure_agreement(pairs, row["resolution"])
    verdict, figures = say_agreement(agreed, reading, two, row["smallest_useful"])
    with st.container(border=True, gap="xsmall"):
        st.markdown(f"**{escape(verdict)}**")
        if figures:
            st.write(escape(figures))
        if row.get("reference") == two[1]:
            st.write(escape(say_bias(row, reading)))
        st.caption(CAVEAT)
    if pairs.is_empty():
        return
    show_chart(draw_agreement(pairs, agreed, reading, two, view.theme), key="reader_agreement")
    st.caption(AGREEMENT_KEY)
    offer_downloads(
        partial(picture_agreement, view.warehouse, two, reading, view.filters),
        pairs,
        file_stem(*two, reading.title),
        key="agreement_save",
    )


def show_seen(view: View, names: list[str]) -> None:
    """What each reader shows and does not show."""
    st.header("What each reader can see", anchor=False)
    rows = readers.list_reader_parameters(view.warehouse)
    told = rows.with_columns(
        pl.Series("seen", [say_seen(r) for r in rows.iter_rows(named=True)], dtype=pl.String)
    )
    known = [n for n in names if n in set(rows["reader"])]
    wide = told.pivot("reader", index="parameter_name", values="seen", maintain_order=True)
    # A reader's name is a name, not a column of ours: the columns are numbered.
    table = wide.select("parameter_name", *[pl.col(n).alias(f"reader_{i}") for i, n in enumerate(known)])
    columns = {"parameter_name": st.column_config.TextColumn("Reading", width="medium")}
    columns |= {f"reader_{i}": st.column_config.TextColumn(clean_text(n)) for i, n in enumerate(known)}
    show_table(table, columns, key="reader_seen", alt="Readings by reader: scans that showed it, or never.", height=min(430, 37 * (table.height + 1)))  # fmt: skip
    st.caption(
        "● shown. ✚ never shown on any van: a van read with this reader alone is not judged there. ■ one and the same"
        " value on every van: not decoded."
    )
    offer_csv(rows, "readings-by-reader", key="reader_seen")


def show_modules(view: View, reader: str) -> None:
    """Control units that answered one reader, van by van."""
    st.header(f"Modules asked by {escape(reader)}", anchor=False)
    rows = readers.list_reader_modules(view.warehouse, reader, view.vans)
    if rows.is_empty():
        st.write("No scan of this reader on the vans shown says which modules it asked.")
        return
    busiest = rows.group_by("module").agg(pl.col("n_answered").sum()).sort("n_answered", "module", descending=[True, False])  # fmt: skip
    modules = busiest["module"].head(_MOST_MODULES).to_list()
    told = rows.with_columns(
        pl.Series("word", [say_module(r) for r in rows.iter_rows(named=True)], dtype=pl.String)
    )
    wide = told.pivot("module", index="van", values="word", maintain_order=True)
    table = wide.select("van", *[pl.col(m).alias(f"module_{i}") for i, m in enumerate(modules)])
    columns = {"van": st.column_config.TextColumn("Van", width=64)}
    columns |= {f"module_{i}": st.column_config.TextColumn(clean_text(m)) for i, m in enumerate(modules)}
    show_table(table, columns, key="reader_modules", alt=f"Vans and modules asked by {clean_text(reader)}", height=min(320, 37 * (table.height + 1)))  # fmt: skip
    st.caption("A code counts as absent only where its module was asked and answered.")
    link_to("codes", "Where readers disagree on codes", icon=":material/fact_check:")


def show_limits(view: View) -> None:
    """Limits of readers that most vans of a group are outside of."""
    st.header("Limits that are suspect", anchor=False)
    rows = readers.list_suspect_limits(view.warehouse, view.vans)
    if rows.is_empty():
        st.write("No reader's limit has more than 70 % of a group of siblings outside it.")
        return
    told = [say_limit(row) for row in rows.iter_rows(named=True)]
    table = rows.with_columns(
        pl.Series("title", [Reading.from_row(r).title for r in rows.iter_rows(named=True)], dtype=pl.String),
        pl.Series("limit", [limit for limit, _ in told], dtype=pl.String),
        pl.Series("outside", [outside for _, outside in told], dtype=pl.String),
        pl.col("reader").fill_null("every reader"),
    )
    show_table(
        table,
        {
            "reader": st.column_config.TextColumn("Reader", width=120),
            "title": st.column_config.TextColumn("Reading", width=290),
            "limit": st.column_config.TextColumn("Its limit", width=150),
            "cohort": st.column_config.TextColumn("Group", width="medium"),
            "outside": st.column_config.TextColumn("Outside it (95 %)", width=190),
        },
        key="reader_limits",
        save="suspect-limits",
        alt="Limits of readers that most vans of a group stand outside of.",
        height=min(320, 37 * (rows.height + 1)),
    )
    st.caption("Where nearly a whole group stands outside, the limit is doubted before the vans are.")
    reading = Reading.from_row(rows.row(0, named=True)).title
    link_to("reading", "See what physics says of the first", icon=":material/scatter_plot:", reading=reading)


@page("Readers")
def show(view: View) -> None:
    """Readers: agreement, coverage, limits."""
    listed = readers.list_readers(view.warehouse, view.vans)
    if listed.is_empty():
        st.info("No scan of the vans shown names its reader.", icon=":material/search_off:")
        return
    every, meetings = (
        readers.list_reader_effects(view.warehouse),
        readers.list_reader_meetings(view.warehouse),
    )
    names = listed["reader"].to_list()
    st.markdown(f"**{escape(say_first(listed, meetings))}**")
    if len(names) == 1:
        st.write("With one reader there is none to hold it against.")
    else:
        show_two(view, every, meetings, names)
    show_updates(view)
    show_seen(view, names)
    show_modules(view, st.session_state.get("reader_chosen") or names[0])
    show_limits(view)


def show_two(view: View, every: pl.DataFrame, meetings: pl.DataFrame, names: list[str]) -> None:
    """Choose two readers and a reading, and hold them against each other."""
    try:
        first, against = choose_two(every, meetings)
    except KinbayError:
        first, against = names[1], names[0]
    left, middle, right = st.columns([2, 2, 3], vertical_alignment="bottom")
    with left:
        reader = choose("Reader", "reader_chosen", names, first if first in names else names[0])
    others = [n for n in names if n != reader]
    own = every.filter(pl.col("reader") == pl.lit(reader))
    reference = own["reference"][0] if own.height else against
    with middle:
        if st.session_state.get("reader_other") not in (None, *others):
            st.session_state["reader_other"] = None
        other = choose("Against", "reader_other", others, reference if reference in others else others[0])
    choices = list_choices(own, meetings, (reader, other))
    if not choices:
        st.info(NEVER_MET, icon=":material/sync_problem:")
        return
    with right:
        title = choose("Reading", "reader_reading", list(choices), next(iter(choices)))
    chart_side, words_side = st.columns([1, 1], gap="medium")
    with chart_side:
        show_biases(view, own, reader, title)
    with words_side:
        show_agreement(view, (reader, other), choices[title])


show()
