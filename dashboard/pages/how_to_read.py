"""Help: the marks, worked pictures, the words, the rules and the cautions."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
import streamlit as st

from dashboard.charts.frame import Chart
from dashboard.charts.palette import GLYPHS, Theme
from dashboard.charts.words import CAVEAT
from dashboard.charts.worked import draw_worked_code, draw_worked_strip, draw_worked_van
from dashboard.parts.plain import escape
from dashboard.parts.screen import show_chart, show_table
from dashboard.parts.view import View, page, shown_theme
from dashboard.questions import fleet
from pipeline import vocabulary

MARKS = (
    ("within", "Does not stand out", "reads like its siblings, or not far enough off to tell."),
    ("above", "Above siblings", "reads higher than its siblings by more than they explain."),
    ("below", "Below siblings", "reads lower than its siblings by more than they explain."),
    ("borderline", "Borderline", "not clear; worth one more scan."),
    ("not_judged", "Not judged", "too few scans or siblings. This does not mean healthy."),
)
WORDS = {
    "Comparing": (
        (
            "Siblings",
            "The other vans of the same make, model, engine and model year. Together they are a group.",
        ),
        ("Scan", "One reading-out with a hand-held reader. Many values in one scan still count as one scan."),
        (
            "Operating state",
            "What the engine was doing: cold idle, warm idle, steady cruise. Like is held against like.",
        ),
        (
            "Range",
            "Where a healthy sibling would fall 19 times out of 20, given how much these siblings differ.",
        ),
        ("Level", "The mean of the van's scans of the past year, or since the last work on that part."),
        (
            "Change",
            "The newest scans less the van's own earlier ones, against the same difference in its siblings.",
        ),
        ("Unsteadiness", "How much the rows within one scan scatter."),
        ("Step", "How far the reading goes from one operating state to the next."),
    ),
    "How sure": (
        (
            "Interval",
            "The difference is known no better than this. 19 of 20 such intervals hold the true difference.",
        ),
        ("Stands out", "At most 1 in 20 of what carries this word is expected to be chance."),
        ("Likely", "At most 1 in 5 of what carries this word is expected to be chance."),
        ("Watch", "Unusual, but expected now and then in a healthy fleet."),
        ("By chance", "How many of all comparisons would stand out if every van were healthy."),
        (
            "q",
            "How often a list of matters at least this sure would be chance, after paying for all that was tested.",
        ),
        (
            "Odds ratio",
            "How much more often a code stands on vans with something than on those without. 1 means no difference.",
        ),
        (
            "Rank correlation",
            "From -1 to +1: whether two things rise together. 0 means no link. A link is no cause.",
        ),
    ),
    "Codes, repairs and readers": (
        ("Freeze frame", "What the van's computer noted at the moment the code set."),
        (
            "Low-voltage cluster",
            "Several codes of several modules stored at once with a weak battery. First a battery question.",
        ),
        ("Asked, not there", "The module was asked, answered, and did not have the code."),
        ("Held", "After the work the reading came back among its siblings, or the code stayed away."),
        (
            "Difference in differences",
            "What the van did from before to after the work, less what its siblings did over the same dates.",
        ),
        (
            "Regression to the mean",
            "A van picked because it looked worst looks better next time by itself. That part is named and left out.",
        ),
        ("Bias of a reader", "What a reader adds to every van. It is taken off before vans are compared."),
        (
            "Limits of agreement",
            "Between these, one more pair of the two readers would differ 19 times out of 20.",
        ),
    ),
}
RULES = (
    "Fewer than 3 siblings: values only, no verdict. With 3 or 4 siblings only a large difference can show.",
    "One more van, or one more scan on another day, teaches more than many values in one scan.",
    "Readers differ. What a reader adds to every van is taken off before vans are compared.",
    "A reader's own limit is a claim for some model year. When most vans of a group stand outside it, doubt the limit.",
    "A van picked for repair because it looked worst will look better next time by itself.",
    "Not scanned, module silent, not tested since clearing, and no code are four different things.",
)


WORKED: tuple[tuple[Callable[[Theme], Chart], str, tuple[str, ...]], ...] = (
    (
        draw_worked_strip,
        "One reading across siblings",
        (
            "Each mark is one van. The shaded band is where a healthy sibling would fall; dashed is the middle.",
            "Van 09 lies left of the band: it reads 8.5 °C below its siblings. The line through it is the interval.",
            "The cross is a van with one scan. It is drawn and not judged.",
            "So: look at van 09 first, thermostat before anything dear. Not a verdict on its engine.",
        ),
    ),
    (
        draw_worked_van,
        "One van over its readings",
        (
            "Each row is one reading, measured in the siblings' own range: 1 is its edge.",
            "Battery: far out, and the whole line lies outside. It stands out.",
            "Manifold pressure: the mark is out, the line reaches back in. Three scans are few; scan it once more.",
            "Coolant: within. Within is not a clean bill of health.",
        ),
    ),
    (
        draw_worked_code,
        "One code over time",
        (
            "Each row is one van, each mark one scan. Square: the code was shown.",
            "Van 03 shows it on every scan since the first: a lasting fault, or one common to the model.",
            "Van 07 was cleared (vertical line) and it stayed away on three scans that asked.",
            "Van 08: a silent module and a scan that did not ask say nothing. Two later scans can tell, no more.",
        ),
    ),
)


def show_marks() -> None:
    """The shapes, in words."""
    st.header("The marks", anchor=False)
    with st.container(gap="xxsmall"):
        for verdict, word, meaning in MARKS:
            st.markdown(f"{GLYPHS[verdict]} **{word}**: {meaning}")
        st.markdown("◯ **Ring and name**: the van you chose.")


def show_cautions(cautions: pl.DataFrame) -> None:
    """Safety first, then the rest."""
    st.header("Cautions", anchor=False)
    st.write(
        "Kinbay compares records. It never replaces the maker's procedure, a trained person or the law where the"
        " work is done."
    )
    lines = cautions.filter(pl.col("caution_id").str.starts_with("SC"))
    with st.container(gap="xxsmall"):
        for row in lines.iter_rows(named=True):
            st.markdown(f":material/warning: {escape(row['text'])}")


def show_worked(theme: Theme) -> None:
    """Three pictures with what to read from them."""
    st.header("Three pictures, worked", anchor=False)
    for number, (draw, title, lines) in enumerate(WORKED):
        picture, words = st.columns([1, 1], gap="medium")
        with picture:
            show_chart(draw(theme), key=f"help_worked_{number}")
        with words:
            st.subheader(title, anchor=False)
            st.markdown("\n".join(f"{place}. {line}" for place, line in enumerate(lines, 1)))


def show_words() -> None:
    """Every term of the pages, a column a subject."""
    st.header("The words", anchor=False)
    for column, (subject, words) in zip(st.columns(len(WORDS), gap="medium"), WORDS.items(), strict=True):
        with column, st.container(gap="xxsmall"):
            st.subheader(subject, anchor=False)
            for word, meaning in words:
                st.markdown(f"**{word}.** {meaning}")


def show_readings(view: View) -> None:
    """One reading and what high and low can mean; all of them as a table on demand."""
    st.header("The readings", anchor=False)
    terms = fleet.list_terms(view.warehouse)
    if terms.is_empty():
        return
    known = {str(row["name"]): row for row in terms.iter_rows(named=True)}
    row = known[st.selectbox("Reading", list(known), key="help_reading", bind="query-params")]
    unit = "" if row["unit"] in (None, "1") else f" {row['unit']}"
    worth = "not set" if row["smallest_useful"] is None else f"{row['smallest_useful']:g}{unit}"
    st.markdown(f"**Worth a look from** {escape(worth)} against the siblings.")
    for word, meaning in (("High", row["meaning_high"]), ("Low", row["meaning_low"])):
        st.markdown(f"**{word} can mean.** {escape(meaning or 'nothing is on record')}")
    with st.expander("All readings as a table", type="compact"):
        show_table(
            terms,
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


def show_rules(theme: Theme) -> None:
    """Marks, rules, pictures and terms: what holds for every fleet."""
    st.markdown(f"**Each van is compared with its siblings. {CAVEAT}**")
    marks, rules = st.columns([1, 1], gap="medium")
    with marks:
        show_marks()
    with rules:
        st.header("The rules", anchor=False)
        st.markdown("\n".join(f"- {rule}" for rule in RULES))
    show_worked(theme)
    show_words()


def show_unbuilt() -> None:
    """What can be read before there is a fleet."""
    show_rules(shown_theme())
    show_cautions(pl.DataFrame(vocabulary.tables()["cautions"]))


@page("How to read this", unbuilt=show_unbuilt)
def show(view: View) -> None:
    """Marks, pictures, terms, rules, cautions."""
    show_rules(view.theme)
    show_cautions(fleet.list_cautions(view.warehouse))
    show_readings(view)


show()
