"""How a file of an unknown kind is to be read: its columns with what they are taken for, and what is asked."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.words import clean_text
from dashboard.parts.entry_choices import Choices
from dashboard.parts.meanings import (
    answers_of,
    beside,
    in_words,
    meaning_of,
    meanings,
    of_the_file,
    order_choices,
)
from dashboard.parts.plain import escape
from dashboard.parts.screen import show_table
from dashboard.parts.trial import Trial, look_again
from pipeline.counted import count_of

MOST_COLUMNS, MOST_LEFT_OUT = 60, 8
Chosen = dict[tuple[str, str], str | None]


def draw_description(trial: Trial, file: Path, proposal: dict[str, Any], choices: Choices) -> None:
    """Draw the columns and the questions of a file, and look again when told to."""
    st.header("A file of a kind not met before", anchor=False)
    st.write(
        f"Say once how **{escape(file.name)}** is to be read; later files with these columns are read so by themselves."
    )
    _show_first_rows(proposal)
    with st.form("describe", enter_to_submit=False, border=False):
        chosen = _draw_columns(proposal)
        chosen |= _draw_questions(of_the_file(proposal), choices)
        chosen["name", "layout"] = st.text_input(
            "What this kind of file is called (letters, digits, _ and -)", proposal["name"], max_chars=60
        )
        if st.form_submit_button("Read it like this", type="primary", width="stretch"):
            look_again(trial, file, [*answers_of(chosen, proposal), "accept:layout=yes"])
            st.rerun()


def _draw_columns(proposal: dict[str, Any]) -> Chosen:
    """A box per column: those to decide in sight, those that are clear or hopelessly many folded away."""
    entries = proposal["mapping"][:MOST_COLUMNS]
    groups = {
        kind: [m for m in entries if m["confidence"] == kind] for kind in ("asked", "left out", "certain")
    }
    chosen: Chosen = {}
    shown = groups["asked"] + (groups["left out"] if len(groups["left out"]) <= MOST_LEFT_OUT else [])
    if shown:
        st.header("Columns to look at", anchor=False)
    for entry in shown:
        chosen |= _draw_column(proposal, entry)
    for kind, words in (("left out", "not taken"), ("certain", "understood by name")):
        folded = [m for m in groups[kind] if m not in shown]
        if folded:
            with st.expander(f"{count_of(len(folded), 'column')} {words}"):
                for entry in folded:
                    chosen |= _draw_column(proposal, entry)
    if (left := len(proposal["mapping"]) - len(entries)) > 0:
        st.caption(f"{count_of(left, 'further column')}: taken where the name is known, else left out.")
    return chosen


def _draw_column(proposal: dict[str, Any], entry: dict[str, Any]) -> Chosen:
    name, words, now = str(entry["column"]), meanings(), meaning_of(entry)
    questions = beside(proposal, name)
    options = order_choices(entry)
    told = [f"For example {'; '.join(str(e)[:16] for e in entry['examples'])}."] if entry["examples"] else []
    told += [in_words(q["asks"]) for q in questions if q["open"]]
    if entry["confidence"] == "left out":
        told.append(f"Not taken: {entry['how']}.")
    elif entry["unit"]:
        told.append(f"In {entry['unit']}.")
    found = st.selectbox(
        escape(name),
        options,
        index=options.index(now) if now in options else None,
        format_func=lambda key: words.get(key, clean_text(key)),
        placeholder="Choose what it is",
        key=f"describe_column_{name}",
    )
    if told:
        st.caption(escape(" ".join(told)))
    chosen: Chosen = {("column", name): found}
    for asked in questions:
        if asked["kind"] == "column_unit":
            chosen |= _draw_question(asked, f"Unit of {name}")
    return chosen


def _draw_questions(asked: list[dict[str, Any]], choices: Choices) -> Chosen:
    if not asked:
        return {}
    st.header("To answer", anchor=False)
    chosen: Chosen = {}
    for one in asked:
        offers = {"reader": choices.readers, "van": choices.vans}.get(str(one["subject"]), ())
        st.write(escape(in_words(one["asks"])))
        chosen |= _draw_question(
            one, {"reader": "Reader", "van": "Van"}.get(one["subject"], "Answer"), list(offers)
        )
    return chosen


def _draw_question(asked: dict[str, Any], label: str, offers: list[str] | None = None) -> Chosen:
    """A box with the choices; where any text will do, one that also takes new words."""
    now, key = asked["answer"] or None, (asked["kind"], asked["subject"])
    options = [str(c) for c in asked["choices"]] or (offers or [])
    if not asked["choices"] and now is not None and now not in options:
        options = [now, *options]
    box = f"describe_{key[0]}_{key[1]}"
    if not options:
        return {key: st.text_input(escape(label), now or "", key=box, max_chars=200)}
    return {
        key: st.selectbox(
            escape(label),
            options,
            index=options.index(now) if now in options else None,
            format_func=clean_text,
            accept_new_options=not asked["choices"],
            placeholder="Choose" if asked["choices"] else "Choose or type",
            key=box,
        )
    }


def _show_first_rows(proposal: dict[str, Any]) -> None:
    """What the first rows would give, or why they give nothing yet."""
    shown = proposal["preview"]
    if shown["fault"]:
        st.warning(escape(shown["fault"]), icon=":material/help:")
    open_ones = [q for q in proposal["questions"] if q["open"]]
    for asked in (q for q in open_ones if q["kind"] in ("columns", "name")):
        st.warning(escape(asked["asks"]), icon=":material/help:")
    if open_ones:
        st.write(f"{count_of(len(open_ones), 'answer')} missing; nothing is guessed.")
    if not shown["tables"]:
        return
    with st.expander("What the first rows would give", expanded=not open_ones):
        for name, table in shown["tables"].items():
            st.markdown(f"**{escape(str(name).replace('_', ' '))}**, {count_of(table['taken'], 'row')}")
            rows = pl.DataFrame(
                [[None if v is None else str(v) for v in row] for row in table["rows"]],
                schema=dict.fromkeys(table["columns"], pl.String),
                orient="row",
            )
            show_table(
                rows,
                {c: st.column_config.TextColumn(c.replace("_", " ")) for c in rows.columns},
                key=f"describe_rows_{name}",
                alt=f"First rows of {name}",
            )
