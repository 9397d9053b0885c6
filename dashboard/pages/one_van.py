"""Third page: one van against its siblings over all its readings, its codes, its history."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.palette import GLYPHS, WORDS
from dashboard.charts.van import MOST_ROWS, draw_van, standardise
from dashboard.charts.van_codes import MOST_CODES, draw_van_codes
from dashboard.charts.words import CAVEAT, Reading, clean_text, say_part, say_standing
from dashboard.exports.bay_sheet import print_bay_sheet
from dashboard.exports.brief import write_brief
from dashboard.exports.code_pictures import VAN_CODES_KEY, picture_van_codes
from dashboard.exports.handout import print_html, print_pdf
from dashboard.exports.picture import MIME, VAN_KEY
from dashboard.exports.reading_pictures import picture_van
from dashboard.exports.van_facts import describe_facts, find_van
from dashboard.parts.code_moments import show_van_frames
from dashboard.parts.decided import say_decision, show_said, standings
from dashboard.parts.links import choose_channel, choose_van, link_to_reading, link_to_van
from dashboard.parts.physics import show_van_physics
from dashboard.parts.plain import escape
from dashboard.parts.ranked import show_matters
from dashboard.parts.screen import file_stem, offer_downloads, offer_pages, picked, show_chart, show_table
from dashboard.parts.van_drifts import show_van_drifts
from dashboard.parts.view import View, page
from dashboard.parts.work import show_work
from dashboard.questions import findings, records, vans
from dashboard.questions.warehouse import Warehouse
from pipeline.counted import count_of
from pipeline.decisions import read_decisions
from pipeline.settings import Home

_ALL_STATES = "All states"


def print_handout(warehouse: Warehouse, van: str, kind: str) -> bytes:
    """Make the handout when it is asked for."""
    brief = write_brief(warehouse, van)
    return print_pdf(brief) if kind == "pdf" else print_html(brief)


def show_choices(view: View) -> None:
    """Without a van: those that stand out, each a link."""
    found = findings.list_findings(view.warehouse, view.vans)
    best = found.filter(pl.col("van").is_not_null() & pl.col("tier").is_in(["finding", "likely"]))
    st.info(
        "Choose a van above." + ("" if best.is_empty() else " These stand out:"),
        icon=":material/airport_shuttle:",
    )
    for van, claims in best.group_by("van", maintain_order=True).agg("claim").head(8).iter_rows():
        link_to_van(f"Van {escape(van)}: {count_of(len(claims), 'matter')}", van)


def show_sheets(view: View, van: str) -> None:
    """The sheet for the bay and the page for a manager."""
    st.download_button(
        "Bay sheet (PDF)",
        partial(print_bay_sheet, view.warehouse, van),
        file_name=f"{file_stem('bay sheet van', van)}.pdf",
        mime=MIME["pdf"],
        key="van_bay_sheet",
        on_click="ignore",
        icon=":material/assignment:",
    )
    offer_pages(partial(print_handout, view.warehouse, van), file_stem("van", van), key="van_handout")


def show_link_to_pick(van: str, cells: pl.DataFrame) -> None:
    """After a click on a reading: the way to it beside the siblings."""
    cell = picked("van_chart", "cell")
    row = next(
        (r for r in cells.iter_rows(named=True) if f"{r['parameter']}/{r['state']}/{r['channel']}" == cell),
        None,
    )
    if row is not None:
        reading = Reading.from_row(row)
        label = f"See {escape(reading.title)} beside its siblings"
        link_to_reading(label, reading, van, channel=row["channel"])


def _say_interval(row: dict[str, Any]) -> str | None:
    """The interval of a difference, in the reading's own decimals."""
    if row["interval_low"] is None:
        return None
    reading = Reading.from_row(row)
    low, high = (reading.say(row[k], signed=True, unit=False) for k in ("interval_low", "interval_high"))
    return f"{low} to {high}"


def show_cells(cells: pl.DataFrame, van: str) -> None:
    """Every reading as a row, judged or not, with the reason where not."""
    decimals = [Reading.from_row(r).decimals for r in cells.iter_rows(named=True)]
    rows = cells.with_columns(
        pl.Series(
            "reading", [Reading.from_row(r).title for r in cells.iter_rows(named=True)], dtype=pl.String
        ),
        pl.Series("stands", [f"{GLYPHS[v]} {WORDS[v]}" for v in cells["verdict"]], dtype=pl.String),
        pl.Series("interval", [_say_interval(r) for r in cells.iter_rows(named=True)], dtype=pl.String),
        *(
            pl.Series(
                name,
                [None if v is None else round(v, d) for v, d in zip(cells[name], decimals, strict=True)],
                dtype=pl.Float64,
            )
            for name in ("value", "sibling_low", "sibling_high", "difference", "detectable")
        ),
    )
    show_table(
        rows,
        {
            "reading": st.column_config.TextColumn("Reading", width=268),
            "stands": st.column_config.TextColumn("Stands", width=140),
            "value": st.column_config.NumberColumn("Value", width=60),
            "difference": st.column_config.NumberColumn("Difference", format="%+g", width=76),
            "interval": st.column_config.TextColumn("95 % interval", width=112),
            "sibling_low": st.column_config.NumberColumn("Siblings from", width=94),
            "sibling_high": st.column_config.NumberColumn("to", width=56),
            "unit": st.column_config.TextColumn("Unit", width=72),
            "n_scans": st.column_config.NumberColumn("Scans", width=52),
            "n_siblings": st.column_config.NumberColumn("Siblings", width=62),
            "detectable": st.column_config.NumberColumn(
                "Smallest it could show", help="The smallest difference this comparison could have shown."
            ),
            "reason": st.column_config.TextColumn("Why not judged", width="medium"),
        },
        key="van_cells",
        alt=f"All readings of van {clean_text(van)}",
    )


def show_codes(view: View, van: str) -> None:
    """Codes of the van, those of the last scan first."""
    st.header("Codes", anchor=False)
    codes = vans.list_van_codes(view.warehouse, van)
    if codes.is_empty():
        st.write("No code is on record. That counts only for modules that were asked and answered.")
        return
    now = codes.filter(pl.col("on_last_scan")).height
    st.write(f"{count_of(now, 'code')} on the last scan, {count_of(codes.height, 'code')} on record.")
    show_code_strips(view, van)
    show_table(
        codes.with_columns(pl.format("{} of {}", "n_scans", "n_covered").alias("seen")),
        {
            "code": st.column_config.TextColumn("Code", width=80),
            "module": st.column_config.TextColumn("Module", width=90),
            "title": st.column_config.TextColumn("Meaning", width="medium"),
            "on_last_scan": st.column_config.CheckboxColumn("On last scan", width=90),
            "seen": st.column_config.TextColumn("Scans", width=90),
            "last_status": st.column_config.TextColumn("Status", width=90),
            "had_lamp": st.column_config.CheckboxColumn("Lamp", width=60),
            "first_seen": st.column_config.DateColumn("First", format="DD MMM YYYY"),
            "last_seen": st.column_config.DateColumn("Last", format="DD MMM YYYY"),
        },
        key="van_codes",
        alt=f"Codes of van {clean_text(van)}",
    )
    offer_downloads(
        partial(picture_van_codes, view.warehouse, van),
        codes,
        file_stem("van", van, "codes"),
        key="codes_save",
    )
    show_van_frames(view, van)


def show_code_strips(view: View, van: str) -> None:
    """Each code over time, a mark per scan."""
    scans = vans.list_van_code_scans(view.warehouse, van)
    if scans.is_empty():
        return
    clears = vans.list_van_clears(view.warehouse, van)
    show_chart(draw_van_codes(van, scans, clears, view.theme), key="van_code_strips")
    n_codes = scans.select("module", "code").unique().height
    more = f" The {MOST_CODES} shown last of {n_codes} are drawn." if n_codes > MOST_CODES else ""
    st.caption(VAN_CODES_KEY + more)


def show_decisions(van: str) -> None:
    """What was decided about this van, newest first."""
    kept = [d for d in reversed(read_decisions(Home.find())) if d.van == van]
    if kept:
        st.header("Decisions", anchor=False)
    for decision in kept:
        st.markdown(say_decision(decision))
        if decision.claim:
            st.caption(escape(decision.claim))


def show_history(view: View, van: str) -> None:
    """Work, notes, exposures and contradictions."""
    st.header("Work and notes", anchor=False)
    events = vans.list_van_events(view.warehouse, van)
    if events.is_empty():
        st.write("Nothing is written down for this van.")
    for row in events.head(12).iter_rows(named=True):
        when = f"{row['happened_at']:%d %b %Y}" if row["happened_at"] else "no date"
        who = f" ({clean_text(row['who'])})" if row["who"] else ""
        relearn = f", relearn {clean_text(row['relearn'])}" if row["relearn"] else ""
        note = f". {clean_text(row['note'])}" if row["note"] else ""
        told = f"{say_part(row['what']) if row['kind'] == 'work' else row['what']}{who}{relearn}{note}"
        st.markdown(f"**{when}** {escape(told)}")
    exposures = vans.list_van_exposures(view.warehouse, van).filter(pl.col("is_current"))
    if exposures.height:
        st.caption(
            escape(
                "Now: "
                + ", ".join(
                    f"{r['attribute'].replace('_', ' ')} {r['value']}"
                    for r in exposures.iter_rows(named=True)
                )
            )
        )
    conflicts = records.list_conflicts(view.warehouse, [van]).filter(pl.col("van") == van)
    if conflicts.height:
        st.header("Records that contradict each other", anchor=False)
        for row in conflicts.iter_rows(named=True):
            st.markdown(escape(row["detail"] or row["conflict_kind"]))


def show_readings(view: View, van: str, cells: pl.DataFrame) -> None:
    """The chart of all readings with its choice of measure and state."""
    left, right = st.columns(2)
    with left:
        channel = choose_channel("van_measure")
    states = cells.sort("state_order")["state_name"].unique(maintain_order=True).to_list()
    with right:
        state = st.selectbox("Operating state", [_ALL_STATES, *states], key="van_state", bind="query-params")
    kept = cells.filter(
        (pl.col("channel") == channel) & ((pl.col("state_name") == state) | pl.lit(state == _ALL_STATES))
    )
    drawn = standardise(kept).height
    if drawn:
        show_chart(draw_van(van, kept, view.theme), key="van_chart", on_pick=lambda: None)
        show_link_to_pick(van, kept)
        more = (
            f" The {MOST_ROWS} farthest of {drawn} are drawn; the table has all." if drawn > MOST_ROWS else ""
        )
        st.caption(VAN_KEY + more)
    else:
        st.info("No reading could be compared here; the table says why.", icon=":material/search_off:")
    key = kept["state"][0] if state != _ALL_STATES and kept.height else None
    offer_downloads(
        partial(picture_van, view.warehouse, van, channel, key),
        kept,
        file_stem("van", van, "readings"),
        key="van_save",
    )
    show_cells(kept, van)


@page("One van, all readings")
def show(view: View) -> None:
    """One van against its siblings."""
    van = choose_van(view, "van", placeholder="Choose a van")
    if van is None:
        show_choices(view)
        return
    show_said()
    show_work()
    facts = find_van(view.warehouse, van)
    cells = vans.list_van_cells(view.warehouse, van)
    with st.container(border=True):
        st.markdown(f"**{say_standing(cells.iter_rows(named=True))}**")
        st.write(escape(describe_facts(facts)))
        st.caption(CAVEAT)
        with st.container(horizontal=True, gap="small"):
            show_sheets(view, van)
    own = findings.list_findings(view.warehouse, [van]).filter(pl.col("van") == van)
    if own.height:
        st.header("What needs a look", anchor=False)
        rows = own.to_dicts()
        with st.container(border=True, gap="xsmall"):
            show_matters(view, rows, standings(rows), key="van_matter")
    st.header("Every reading against the siblings", anchor=False)
    if cells.is_empty():
        st.info(
            "No reading of this van has been compared. Scan it, load the file, then run `kinbay build`.",
            icon=":material/inbox:",
        )
    else:
        show_readings(view, van, cells)
    show_van_drifts(view, van)
    show_van_physics(view, van)
    show_codes(view, van)
    show_decisions(van)
    show_history(view, van)


show()
