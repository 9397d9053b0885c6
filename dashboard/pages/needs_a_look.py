"""First page: what needs a look, best evidence first, and beside it what changed and what waits."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.changes import KINDS, compare_builds
from dashboard.charts.matter_words import TIERS, headline, say_split, subject_of
from dashboard.charts.words import CAVEAT, clean_text, format_number, lower_first
from dashboard.exports.look_list import MOST_ON_A4, group_matters, write_look
from dashboard.exports.report import print_html, print_pdf
from dashboard.parts.decided import Standing, show_said, standings
from dashboard.parts.links import link_to
from dashboard.parts.plain import escape
from dashboard.parts.ranked import show_group
from dashboard.parts.screen import offer_csv, offer_pages
from dashboard.parts.view import View, page
from dashboard.parts.work import show_work
from dashboard.questions import findings, records
from pipeline.counted import count_of
from pipeline.settings import STALE_DAYS, Home

GROUPS_AT_ONCE = 8
_WORD_TO_TIER = {word: tier for tier, word in TIERS.items()}
_DECIDED = "Decided"
_SINCE = {"Last build": 0, "A week ago": 6}
_NAMED = 3
NOTHING_COMPARED = (
    "**No van could be compared yet.** It takes several vans of one make, model, engine and model year, each scanned"
    " on more than one day in the same operating state."
)


def say_count(found: pl.DataFrame, build: dict[str, Any]) -> str:
    """Say how much stands out and how much chance alone would raise."""
    if not build["cells_tested"]:
        return NOTHING_COMPARED
    chance = format_number(build["expected_by_chance"], 1)
    return (
        f"**{say_split(found.iter_rows(named=True))}.** {format_number(build['cells_tested'], 0)} comparisons were made across the fleet;"
        f" chance alone would raise about {chance} of them."
    )


def draw_more() -> None:
    """Draw the next groups too; for a button."""
    st.session_state["look_groups"] = st.session_state.get("look_groups", GROUPS_AT_ONCE) + GROUPS_AT_ONCE


def choose_matters(found: pl.DataFrame, standing: dict[str, Standing]) -> pl.DataFrame:
    """Draw the choice of how sure, and return the matters it leaves; decided ones only where asked for."""
    words = st.pills(
        "How sure",
        [*_WORD_TO_TIER, _DECIDED],
        selection_mode="multi",
        default=["Stands out", "Likely"],
        key="look_sure",
        bind="query-params",
        label_visibility="collapsed",
    )
    tiers = [_WORD_TO_TIER[word] for word in words or [] if word in _WORD_TO_TIER]
    quiet = pl.col("finding_id").is_in([key for key, s in standing.items() if s.is_quiet])
    is_wanted = pl.col("tier").is_in(tiers) & ~quiet
    return found.filter(is_wanted | (quiet & pl.lit(_DECIDED in (words or []))))


def show_list(view: View, kept: pl.DataFrame, standing: dict[str, Standing]) -> None:
    """The ranked list, grouped by subject, a few groups at first."""
    if kept.is_empty():
        st.info(
            "Nothing to show for this choice. That is no proof that all is well: vans with too few scans or"
            " siblings are not judged. See Scans and records.",
            icon=":material/search_off:",
        )
        return
    groups = group_matters(kept.to_dicts())
    drawn = int(st.session_state.get("look_groups", GROUPS_AT_ONCE))
    with st.container(gap="xsmall"):
        for subject, rows in list(groups.items())[:drawn]:
            show_group(view, subject, rows, standing, key="look")
    left = len(groups) - drawn
    if left > 0:
        st.button(f"Show {min(left, GROUPS_AT_ONCE)} more of {left}", key="look_more", on_click=draw_more)
    with st.container(horizontal=True, gap="small"):
        offer_pages(
            partial(_print_list, view, kept),
            "what-needs-a-look",
            key="look_page",
            label="Page to print or send",
            note="The list as chosen above, with next checks and cautions; the HTML page has all of it.",
        )
        offer_csv(kept, "kinbay-findings", key="look")


def _print_list(view: View, kept: pl.DataFrame, kind: str) -> bytes:
    """Make the list as a page when it is asked for."""
    most = MOST_ON_A4 if kind == "pdf" else None
    report = write_look(kept.to_dicts(), view.build, view.filters.describe(), most)
    return print_pdf(report) if kind == "pdf" else print_html(report)


def show_changes(view: View, found: pl.DataFrame) -> None:
    """What is new, worse, better or gone since an earlier build."""
    st.header("What changed", anchor=False)
    since = st.segmented_control(
        "Since",
        list(_SINCE),
        default="Last build",
        key="look_since",
        bind="query-params",
        required=True,
        label_visibility="collapsed",
    )
    past = findings.find_past_findings(view.warehouse, _SINCE.get(since or "", 0))
    if past.is_empty():
        st.caption("No earlier build to compare with yet.")
        return
    shown = set(view.vans)
    before = [r for r in past.iter_rows(named=True) if r["van"] is None or r["van"] in shown]
    changes = compare_builds(before, found.iter_rows(named=True))
    st.markdown(" · ".join(f"**{KINDS[kind]} {len(rows)}**" for kind, rows in changes.items()))
    for kind, rows in changes.items():
        names = [_name_change(row) for row in rows[:_NAMED]]
        more = f"; {len(rows) - _NAMED} more" if len(rows) > _NAMED else ""
        if names:
            st.markdown(f"**{KINDS[kind]}.** {escape('; '.join(names) + more)}.")
    st.caption(f"Since the build with data to {past['data_to'][0]:%d %b %Y}.")


def _name_change(row: dict[str, Any]) -> str:
    """A matter in a few words; a row of the past has no subject but its van."""
    full = {"cohort": None, "reader": None, "attribute": None, **row}
    text = headline(full)
    return f"{subject_of(full)}, {lower_first(text)}" if row["van"] is not None else text


def show_waiting(view: View) -> None:
    """Vans not seen and questions nobody has answered."""
    st.header("Not seen, not answered", anchor=False)
    coverage = records.list_coverage(view.warehouse, view.vans)
    never = coverage.filter("is_stale", pl.col("n_scans") == 0)["van"].to_list()
    stale = coverage.filter("is_stale", pl.col("n_scans") > 0)["van"].to_list()
    told = []
    for vans, what in ((never, "never scanned"), (stale, f"not scanned for {STALE_DAYS} days")):
        if vans:
            named = ", ".join(clean_text(van) for van in vans[:6]) + (" …" if len(vans) > 6 else "")
            told.append(f"{count_of(len(vans), 'van')} {what}: {named}")
    asked = len(list(Home.find().inbox.glob("*.question.toml")))
    if asked:
        told.append(f"{count_of(asked, 'file')} in the inbox wait{'s' if asked == 1 else ''} for an answer")
    refused = records.list_rejects(view.warehouse).height
    if refused:
        told.append(f"{count_of(refused, 'row')} of loaded files refused")
    for line in told or ["Every van was scanned lately, and no question is open"]:
        st.markdown(f"{escape(line)}.")
    if asked:
        link_to("add", "Answer the questions", icon=":material/upload_file:")
    link_to("data", "Scans and records", icon=":material/inventory_2:")


def show_decided(standing: dict[str, Standing]) -> None:
    """How many matters decisions keep quiet, and how many are back."""
    quiet = [s.decision for s in standing.values() if s.is_quiet and s.decision]
    back = sum(bool(s.back) for s in standing.values())
    if not quiet and not back:
        return
    st.header("Decided", anchor=False)
    counts: dict[str, int] = {}
    for decision in quiet:
        words = decision.words.split(" until ")[0]
        counts[words] = counts.get(words, 0) + 1
    lines = [f"{words}: {n}" for words, n in counts.items()] + ([f"Back on the list: {back}"] if back else [])
    st.markdown(escape(" · ".join(lines)))
    st.caption("Choose Decided above the list to see them. They stay in every build and export.")


@page("What needs a look")
def show(view: View) -> None:
    """Findings, best first; beside them what changed and what waits."""
    found = findings.list_findings(view.warehouse, view.vans)
    standing = standings(found.iter_rows(named=True))
    show_said()
    show_work()
    with st.container(gap=None):
        st.markdown(say_count(found, view.build))
        st.caption(
            f"{CAVEAT} Data to {view.build['data_to']:%d %b %Y}; vans shown: {escape(view.filters.describe())}."
        )
    left, right = st.columns([13, 4], gap="medium")
    with left:
        show_list(view, choose_matters(found, standing), standing)
    with right:
        show_changes(view, found)
        show_waiting(view)
        show_decided(standing)


show()
