"""Codes: how common, how steady, back after clearing, and what they go with."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import polars as pl
import streamlit as st

from dashboard.charts.code_names import Code, say_share
from dashboard.charts.code_shares import MOST_ROWS, choose_rows, draw_shares
from dashboard.charts.words import CAVEAT
from dashboard.exports.code_pictures import SHARES_KEY, picture_code_shares, say_code_count
from dashboard.parts.code_battery import SAYS_SO, show_batteries
from dashboard.parts.code_company import show_company, show_exposures, show_numbers, show_readers
from dashboard.parts.code_moments import say_failure_types, say_lamp, show_moments
from dashboard.parts.code_notes import show_notes
from dashboard.parts.code_story import show_returns, show_strips
from dashboard.parts.decided import standings
from dashboard.parts.links import is_open, name_stray, seed
from dashboard.parts.plain import escape
from dashboard.parts.ranked import show_matters
from dashboard.parts.screen import offer_downloads, pick_key, picked, remember_pick, show_chart, show_table
from dashboard.parts.view import View, page
from dashboard.questions import codes, findings

CLOSER: dict[str, tuple[Callable[[View, Code], None], ...]] = {
    "Van by van": (show_strips,),
    "After clearing": (show_returns,),
    "When it sets": (show_moments,),
    "What goes with it": (show_exposures, show_company),
    "Whole fleet": (lambda view, _: show_readers(view), lambda view, _: show_numbers(view)),
}


def take_pick(key: str, shorts: dict[str, str]) -> None:
    """A click on a mark chooses its code."""
    cell = picked(key, "cell")
    if cell in shorts:
        st.session_state["code"] = shorts[cell]
        remember_pick("code_shares", key, shorts[cell])


def choose_code(listed: dict[str, Code]) -> Code | None:
    """Draw the code box and return the chosen code; the first, which stands out most, where none is yet."""
    first = next(iter(listed))
    if is_open("code"):
        seed("code", first, first)
    is_stray = name_stray("code", list(listed), "No van shown here ever showed")
    chosen = st.selectbox("Code", list(listed), index=None, key="code", bind="query-params")
    return None if is_stray else listed[chosen if chosen in listed else first]


def show_shares(view: View, listed: dict[str, Code], chosen: Code | None) -> None:
    """How common each code is, group by group."""
    shares = codes.list_code_cohorts(view.warehouse, view.vans)
    drawn = choose_rows(shares)
    if drawn.is_empty():
        st.info(
            "No code stands on a scan of the past year that says which modules it asked.",
            icon=":material/search_off:",
        )
        return
    shorts = {f"{c.module}/{c.code}": short for short, c in listed.items()}
    key = pick_key("code_shares", chosen.short if chosen else None)
    show_chart(draw_shares(shares, chosen, view.theme), key=key, on_pick=partial(take_pick, key, shorts))
    n_rows = shares.filter(pl.col("n_vans_with") > 0).height
    more = (
        f" The {MOST_ROWS} surest of {n_rows} are drawn; the saved rows have all."
        if n_rows > MOST_ROWS
        else ""
    )
    st.caption(SHARES_KEY + more)
    offer_downloads(
        partial(picture_code_shares, view.warehouse, view.filters),
        shares,
        "codes-by-group",
        key="shares_save",
    )


def show_list(rows: pl.DataFrame) -> None:
    """Every code of the vans shown."""
    named = rows.with_columns(
        pl.Series(
            "name", [Code.from_row(r).title or "–" for r in rows.iter_rows(named=True)], dtype=pl.String
        ),
        pl.format("{} of {}", "n_vans_with", "n_vans").alias("have"),
        (pl.col("n_findings") + pl.col("n_likely")).alias("matters"),
    )
    show_table(
        named,
        {
            "code": st.column_config.TextColumn("Code", width=74),
            "module": st.column_config.TextColumn("Module", width=80),
            "have": st.column_config.TextColumn("Vans with it", width=90),
            "matters": st.column_config.NumberColumn("Stands out", width=84),
            "name": st.column_config.TextColumn("Meaning", width=300),
            "n_vans_unknown": st.column_config.NumberColumn("Not known", width=80),
            "n_vans_ever": st.column_config.NumberColumn("Ever on", width=70),
            "had_lamp": st.column_config.CheckboxColumn("Lamp", width=56),
            "last_seen": st.column_config.DateColumn("Last seen", format="DD MMM YYYY"),
        },
        key="code_list",
        save="codes",
        alt="Every code of the vans shown: vans with it, vans not known, lamp, last seen.",
        height=min(430, 37 * (rows.height + 1)),
    )


def show_verdict(view: View, code: Code) -> None:
    """How common the chosen code is."""
    shares = codes.list_code_cohorts(view.warehouse, view.vans)
    own = [r for r in shares.iter_rows(named=True) if (r["module"], r["code"]) == (code.module, code.code)]
    with st.container(border=True, gap="xsmall"):
        st.markdown(f"**{escape(code.name)}**")
        for row in own[:4]:
            st.write(escape(f"{row['cohort']}: {say_share(row)}."))
        if not own:
            st.write(
                "No scan of the past year can tell how common it is: it came only in a low-voltage cluster, longer"
                " ago, or in scans that do not say which modules they asked."
            )
        asked = (view.warehouse, code.module, code.code, view.vans)
        st.write(escape(say_lamp(codes.list_code_lamps(*asked))))
        if said := say_failure_types(codes.list_code_failure_types(*asked)):
            st.write(escape(said))
        st.caption(CAVEAT)


def show_standing_out(view: View, code: Code, found: pl.DataFrame) -> None:
    """What stands out about the chosen code."""
    of_code = pl.col("module").fill_null("") == code.module
    rows = found.filter((pl.col("code") == code.code) & of_code & pl.col("tier").is_in(SAYS_SO)).to_dicts()
    if rows:
        with st.container(border=True, gap="xsmall"):
            show_matters(view, rows, standings(rows), key="code_matter")


def show_closer(view: View, code: Code) -> None:
    """One closer look at the chosen code at a time, so that the page stays short and quick."""
    chosen = st.segmented_control(
        "Look closer",
        list(CLOSER),
        default=next(iter(CLOSER)),
        key="code_look",
        bind="query-params",
        required=True,
    )
    for show_part in CLOSER.get(chosen or "", ()):
        show_part(view, code)


@page("Codes")
def show(view: View) -> None:
    """All codes, then one of them."""
    rows = codes.list_codes(view.warehouse, view.vans)
    if rows.is_empty():
        st.info(
            "No scan of the vans shown lists a code. That counts only for modules that were asked and answered.",
            icon=":material/search_off:",
        )
        return
    found = findings.list_findings(view.warehouse, view.vans)
    n_matters = rows.filter((pl.col("n_findings") > 0) | (pl.col("n_likely") > 0)).height
    st.markdown(f"**{escape(say_code_count(rows.height, n_matters))}**")
    st.caption(
        "A van counts for a code only where its module was asked and answered and it was not just cleared."
    )
    show_batteries(view, found)
    listed = {Code.from_row(row).short: Code.from_row(row) for row in rows.iter_rows(named=True)}
    code = choose_code(listed)
    left, right = st.columns([1, 1], gap="medium")
    with left:
        show_shares(view, listed, code)
    with right:
        if code is not None:
            show_verdict(view, code)
        show_list(rows)
    if code is not None:
        show_standing_out(view, code, found)
        show_notes(code)
        show_closer(view, code)


show()
