"""Fifth page: the words, the rules and the cautions."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard.charts.palette import GLYPHS
from dashboard.charts.words import CAVEAT
from dashboard.parts.plain import escape
from dashboard.parts.screen import show_table
from dashboard.parts.view import View, page
from dashboard.questions import fleet

MARKS = (
    ("within", "Within range", "reads like its siblings."),
    ("above", "Above siblings", "reads higher than its siblings by more than they explain."),
    ("below", "Below siblings", "reads lower than its siblings by more than they explain."),
    ("borderline", "Borderline", "not clear; worth one more scan."),
    ("not_judged", "Not judged", "too few scans or siblings. This does not mean healthy."),
)
WORDS = (
    (
        "Siblings",
        "The other vans of the same make, model, engine and model year. A van is never compared with itself.",
    ),
    ("Scan", "One reading-out with a hand-held reader. Many values in one scan still count as one scan."),
    ("Range", "Where a healthy sibling would fall 19 times out of 20, given how much these siblings differ."),
    (
        "Interval",
        "The difference is known no better than this. 19 of 20 such intervals hold the true difference.",
    ),
    ("Level", "The mean of the van's scans of the past year, or since the last work on that part."),
    (
        "Change",
        "The newest scans less the van's own earlier ones, against the same difference in its siblings.",
    ),
    ("Stands out", "At most 1 in 20 of what carries this word is expected to be chance."),
    ("Likely", "At most 1 in 5 of what carries this word is expected to be chance."),
    ("Watch", "Unusual, but expected now and then in a healthy fleet."),
    ("By chance", "How many of all comparisons would stand out if every van were healthy."),
)
RULES = (
    "Fewer than 3 siblings: values only, no verdict. With 3 or 4 siblings only a large difference can show.",
    "One more van, or one more scan on another day, teaches more than many values in one scan.",
    "Readers differ. What a reader adds to every van is taken off before vans are compared.",
    "A reader's own limit is a claim for some model year. When most vans of a group stand outside it, doubt the limit.",
    "A van picked for repair because it looked worst will look better next time by itself.",
    "Not scanned, module silent, not tested since clearing, and no code are four different things.",
)


def show_marks() -> None:
    """The shapes, in words."""
    st.header("The marks", anchor=False)
    with st.container(gap="xxsmall"):
        for verdict, word, meaning in MARKS:
            st.markdown(f"{GLYPHS[verdict]} **{word}**: {meaning}")
        st.markdown("◯ **Ring and name**: the van you chose.")


def show_cautions(view: View) -> None:
    """Safety first, then the rest."""
    st.header("Cautions", anchor=False)
    st.write(
        "Kinbay compares records. It never replaces the maker's procedure, a trained person or the law where the"
        " work is done."
    )
    lines = fleet.list_cautions(view.warehouse).filter(pl.col("caution_id").str.starts_with("SC"))
    with st.container(gap="xxsmall"):
        for row in lines.iter_rows(named=True):
            st.markdown(f":material/warning: {escape(row['text'])}")


@page("How to read this")
def show(view: View) -> None:
    """Terms, rules, cautions."""
    st.markdown(f"**Each van is compared with its siblings. {CAVEAT}**")
    show_marks()
    st.header("The words", anchor=False)
    with st.container(gap="xxsmall"):
        for word, meaning in WORDS:
            st.markdown(f"**{word}.** {meaning}")
    st.header("The rules", anchor=False)
    st.markdown("\n".join(f"- {rule}" for rule in RULES))
    show_cautions(view)
    st.header("The readings", anchor=False)
    show_table(
        fleet.list_terms(view.warehouse),
        {
            "name": st.column_config.TextColumn("Reading", width="medium"),
            "unit": st.column_config.TextColumn("Unit", width=90),
            "smallest_useful": st.column_config.NumberColumn("Worth a look from", format="%g"),
            "meaning_high": st.column_config.TextColumn("High can mean", width="large"),
            "meaning_low": st.column_config.TextColumn("Low can mean", width="large"),
        },
        key="help_terms",
        alt="Readings and what high and low can mean",
    )


show()
