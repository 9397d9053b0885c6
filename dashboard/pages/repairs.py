"""Repairs: did the work hold, and which work ends which code."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.code_names import Code
from dashboard.charts.repairs import GLYPHS, WORDS, draw_repair, say_verdict, say_work
from dashboard.charts.words import CAVEAT, Reading, clean_text
from dashboard.exports.fleet_tables import ENDINGS_KEY, tell_endings, tell_work
from dashboard.exports.repair_pictures import REPAIR_KEY, picture_repair, read_row
from dashboard.parts.links import is_open, link_to, link_to_reading, link_to_van, name_stray, seed
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, offer_csv, offer_downloads, show_chart, show_table
from dashboard.parts.view import View, page
from dashboard.questions import repairs, vans
from pipeline.counted import count_of

OUTCOMES = {
    "ended": "stayed away",
    "returned": "came back",
    "still_listed": "still listed, never cleared on record",
    "too_early": "too early to say",
}


def take_row(key: str, names: list[str]) -> None:
    """A click on a row chooses its work."""
    rows = st.session_state[key]["selection"]["rows"]
    if rows:
        st.session_state["work"] = names[rows[0]]


def name_jobs(rows: pl.DataFrame) -> dict[str, dict[str, Any]]:
    """Return the pieces of work by the text that names them in box and address."""
    named: dict[str, dict[str, Any]] = {}
    for row in rows.iter_rows(named=True):
        text = clean_text(say_work(row))
        while text in named:
            text += " (again)"
        named[text] = row
    return named


def choose_job(named: dict[str, dict[str, Any]]) -> str | None:
    """Draw the work box and return what is chosen; what did not hold first, else what held, where nothing is yet."""
    order = list(WORDS)
    first = min(named, key=lambda name: order.index(named[name]["verdict"]))
    if is_open("work"):
        seed("work", first, first)
    is_stray = name_stray("work", list(named), "On the vans shown there is no work called")
    chosen = st.selectbox("Work", list(named), index=None, key="work", bind="query-params")
    return None if is_stray else chosen if chosen in named else first


def show_list(named: dict[str, dict[str, Any]], chosen: str | None) -> None:
    """All work on the vans shown with its verdict, the twin of the box."""
    names = list(named)
    table = tell_work(named.values())
    key = f"repair_rows_{chosen}"
    selected: Any = {"selection": {"rows": [names.index(chosen)] if chosen in names else []}}
    st.dataframe(
        table,
        hide_index=True,
        height=min(270, 37 * (table.height + 1)),
        key=key,
        on_select=partial(take_row, key, names),
        selection_mode="single-row",
        selection_default=selected,
        placeholder="–",
        alt="Work on the vans shown: verdict, day, van, what was done, relearn.",
        column_config={
            "verdict": st.column_config.TextColumn("Verdict", width=250),
            "on": st.column_config.DateColumn("On", format="DD MMM YYYY", width=96),
            "van": st.column_config.TextColumn("Van", width=58),
            "what": st.column_config.TextColumn("Work", width=320),
            "code": st.column_config.TextColumn("For code", width=80),
            "relearn": st.column_config.TextColumn("Relearn", width=90),
            "n_readings": st.column_config.NumberColumn("Readings", width=80),
        },
    )
    offer_csv(table, "work-and-verdicts", key="repair_list")


def show_claim(row: dict[str, Any], reading: Reading) -> None:
    """What is said of the chosen reading, what else it could be, what to do next."""
    with st.container(border=True, gap="xsmall"):
        st.subheader(escape(say_verdict(row)), anchor=False)
        st.markdown(escape(row["claim"]))
        if row["effect"] is not None and row["effect_low"] is not None:
            low, high = (reading.say(row[k], signed=True, unit=False) for k in ("effect_low", "effect_high"))
            q = f"; q {row['effect_q']:.2g}" if row["effect_q"] is not None else ""
            st.caption(
                escape(
                    f"Its move less that of its siblings over the same dates (difference in differences):"
                    f" {reading.say(row['effect'], signed=True)}, 95 % interval {low} to {high}{q}."
                    f" {count_of(row['n_before'], 'scan')} before, {row['n_after']} after,"
                    f" {count_of(row['n_siblings'], 'sibling')}."
                )
            )
            st.caption(
                escape(
                    f"Had the van been picked for its high or low scans alone, about"
                    f" {reading.say(row['expected_return'], signed=True)} of that would have come by itself (regression"
                    " to the mean)."
                )
            )
        st.markdown(f"**Next check.** {escape(row['next_check'])}")
        if row["rivals"]:
            st.caption(f"**Could also be.** {escape('; '.join(row['rivals']))}")
        st.caption(CAVEAT)


def choose_touched(rows: pl.DataFrame) -> dict[str, Any]:
    """Draw the box of readings the work touches and return the chosen row; the one that says most comes first."""
    named = {Reading.from_row(row).title: row for row in rows.iter_rows(named=True)}
    if len(named) == 1:
        return next(iter(named.values()))
    title = st.selectbox(
        "Reading", list(named), key=f"repair_reading_{rows['van'][0]}_{rows['worked_at'][0]}"
    )
    return named[title]


def show_readings(view: View, job: dict[str, Any]) -> None:
    """The readings the chosen work touches: one drawn, all in a table."""
    rows = repairs.list_repair_readings(
        view.warehouse, job["van"], job["worked_at"], job["what"], job["part"]
    )
    if rows.is_empty():
        st.info(
            "No reading is mapped to this part, or none was scanned around that day, so only codes can tell.",
            icon=":material/build:",
        )
        return
    row = read_row(choose_touched(rows))
    reading = Reading.from_row(row)
    left, right = st.columns([2, 3], gap="medium")
    with left:
        show_claim(row, reading)
    scans = vans.list_van_scan_values(view.warehouse, job["van"], reading.parameter, reading.state)
    months = vans.list_sibling_months(view.warehouse, job["van"], reading.parameter, reading.state)
    with right:
        show_chart(draw_repair(row, scans, months, reading, view.theme), key="repair_series")
        st.caption(REPAIR_KEY)
        offer_downloads(
            partial(picture_repair, view.warehouse, row),
            rows.drop("rivals"),
            file_stem("work", job["van"], reading.title),
            key="repair_save",
        )
    show_table(
        pl.DataFrame([say_row(r) for r in rows.iter_rows(named=True)], infer_schema_length=None),
        {
            "reading": st.column_config.TextColumn("Reading", width=268),
            "verdict": st.column_config.TextColumn("Verdict", width=158),
            "scans": st.column_config.TextColumn("Scans before, since", width=134),
            "n_siblings": st.column_config.NumberColumn("Siblings", width=66),
            "before": st.column_config.TextColumn("Stood off before", width=110),
            "after": st.column_config.TextColumn("Since", width=60),
            "moved": st.column_config.TextColumn("Moved (95 %)", width=170),
            "unit": st.column_config.TextColumn("Unit", width=78),
        },
        key="repair_readings",
        alt="Readings this work touches: difference from siblings before and after, move, interval.",
        height=min(320, 37 * (rows.height + 1)),
    )
    st.caption(
        "Each figure leaves out siblings that were odd themselves at that time, so the three need not add up."
    )
    link_to_reading(f"{escape(reading.title)} beside the siblings", reading, job["van"])


def say_row(row: dict[str, Any]) -> dict[str, Any]:
    """One reading that the work touches as a row of the table, in the reading's own digits."""
    reading = Reading.from_row(row)
    said = {
        name: None if row[name] is None else reading.say(row[name], signed=True, unit=False)
        for name in ("before_difference", "after_difference", "effect", "effect_low", "effect_high")
    }
    span = f" ({said['effect_low']} to {said['effect_high']})" if said["effect_low"] else ""
    return {
        "reading": reading.title,
        "verdict": f"{GLYPHS[row['verdict']]} {WORDS[row['verdict']]}",
        "scans": f"{row['n_before']}, {row['n_after']}",
        "n_siblings": row["n_siblings"],
        "before": said["before_difference"],
        "after": said["after_difference"],
        "moved": f"{said['effect']}{span}" if said["effect"] else None,
        "unit": reading.unit if reading.unit != "1" else None,
    }


def show_codes_of(view: View, job: dict[str, Any]) -> None:
    """What became of the codes that stood when the work was done."""
    rows = repairs.list_work_codes(view.warehouse, job["van"], job["worked_at"], job["what"])
    for row in rows.iter_rows(named=True):
        name = Code(row["module"] or "", row["code"], row["title"] or "", "other")
        named = "" if row["work_code"] else " (the work names no code; chance is the first explanation)"
        on = f" on {row['returned_at']:%d %b %Y}" if row["returned_at"] is not None else ""
        st.markdown(
            escape(
                f"{name.name}: {OUTCOMES[row['outcome']]}{on}; shown on {row['n_present_after']} of"
                f" {count_of(row['n_after'], 'scan')} since that can tell{named}."
            )
        )
        link_to("codes", f"{escape(name.short)} over time", icon=":material/fact_check:", code=name.short)


def show_endings(view: View) -> None:
    """Which work ends which code, over the fleet."""
    st.header("Which work ends which code", anchor=False)
    rows = repairs.list_repair_codes(view.warehouse, view.vans)
    if rows.is_empty():
        st.info(
            "No code stood on a van when work was done, as far as scans and the work list tell. Scan for codes before"
            " and after the work, and name the code in the entry of the work.",
            icon=":material/search_off:",
        )
        return
    told = tell_endings(rows)
    show_table(
        told,
        {
            "work": st.column_config.TextColumn("Work", width="medium"),
            "code": st.column_config.TextColumn("Code", width=80),
            "module": st.column_config.TextColumn("Module", width=80),
            "title": st.column_config.TextColumn("Meaning", width="medium"),
            "n_vans": st.column_config.NumberColumn("Vans tried", width=84),
            "n_named": st.column_config.NumberColumn("Done for it", width=84),
            "n_judged": st.column_config.NumberColumn("Can tell", width=74),
            "n_ended": st.column_config.NumberColumn("Stayed away", width=90),
            "share_said": st.column_config.TextColumn("Share (95 % interval)", width=150),
        },
        key="repair_codes",
        alt="Kinds of work and codes: vans tried, vans where the code stayed away, share with interval.",
        height=min(320, 37 * (rows.height + 1)),
    )
    st.caption(ENDINGS_KEY)
    offer_csv(told, "work-and-codes", key="repair_codes_save")


def say_counts(rows: pl.DataFrame) -> str:
    """Say how many pieces of work there are and what became of them."""
    counts = [(word, rows.filter(pl.col("verdict") == verdict).height) for verdict, word in WORDS.items()]
    told = ", ".join(f"{n} {word[0].lower()}{word[1:]}" for word, n in counts if n)
    return f"Work on the vans shown: {rows.height} in all; {told}."


@page("Repairs")
def show(view: View) -> None:
    """All work, then one piece of it."""
    rows = repairs.list_repairs(view.warehouse, view.vans)
    if rows.is_empty():
        st.info(
            "No repair stands in the work list of the vans shown. Write down what was done, on which part and when.",
            icon=":material/build:",
        )
        link_to("enter", "Write down work", icon=":material/edit_note:")
        return
    st.markdown(f"**{escape(say_counts(rows))}**")
    named = name_jobs(rows)
    chosen = choose_job(named)
    show_list(named, chosen)
    if chosen is not None:
        job = named[chosen]
        st.header(escape(chosen), anchor=False)
        show_codes_of(view, job)
        show_readings(view, job)
        link_to_van(f"All readings of van {escape(job['van'])}", job["van"])
    show_endings(view)


show()
