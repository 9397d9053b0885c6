"""Codes: how common, how steady, back after clearing, and what they go with."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.code_names import Code, say_share, say_steadiness
from dashboard.charts.code_returns import UNITS, draw_returns, is_worth_a_curve, say_returns
from dashboard.charts.code_shares import MOST_ROWS, choose_rows, draw_shares
from dashboard.charts.code_strips import MOST_VANS, draw_strips
from dashboard.charts.words import CAVEAT, count_of, format_ratio
from dashboard.exports.code_pictures import (
    RETURNS_KEY,
    SHARES_KEY,
    STRIPS_KEY,
    picture_code_returns,
    picture_code_shares,
    picture_code_strips,
    say_code_count,
)
from dashboard.parts.links import is_open, link_to_van, name_stray, seed
from dashboard.parts.matter import show_cautions, show_matter
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
from dashboard.questions import codes, findings

_SAYS_SO = ("finding", "likely")
_STANDINGS = {"with": "Has it", "without": "Has it not", "unknown": "Not known"}
_MOST_LINKS = 6


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


def say_signs(rows: pl.DataFrame) -> str:
    """Say which signs of low supply voltage hold, with their points."""
    signs = [f"{r['says']} ({r['points']:+d})" for r in rows.iter_rows(named=True)]
    return f"Signs: {'; '.join(signs)}. In all {rows['points_in_all'][0]}; points are proposals."


def show_batteries(view: View, found: pl.DataFrame) -> None:
    """Scans whose codes are first a battery question."""
    rows = found.filter((pl.col("kind") == "low_voltage_cluster") & pl.col("tier").is_in(_SAYS_SO)).to_dicts()
    if not rows:
        return
    st.header("Battery first", anchor=False)
    with st.container(border=True):
        held = codes.list_low_voltage_evidence(view.warehouse, view.vans)
        for row in rows:
            show_matter(row)
            own = held.filter((pl.col("scan_id") == row["scan_id"]) & (pl.col("reader") == row["reader"]))
            if own.height:
                st.caption(escape(say_signs(own)))
        show_cautions(rows)
        for van in dict.fromkeys(row["van"] for row in rows):
            link_to_van(f"All readings of van {escape(van)}", van)


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
            "name": st.column_config.TextColumn("Meaning", width="medium"),
            "have": st.column_config.TextColumn("Vans with it", width=90),
            "n_vans_unknown": st.column_config.NumberColumn("Not known", width=80),
            "n_vans_ever": st.column_config.NumberColumn("Ever on", width=70),
            "had_lamp": st.column_config.CheckboxColumn("Lamp", width=56),
            "matters": st.column_config.NumberColumn("Stands out", width=84),
            "last_seen": st.column_config.DateColumn("Last seen", format="DD MMM YYYY"),
        },
        key="code_list",
        alt="Every code of the vans shown: vans with it, vans not known, lamp, last seen.",
        height=min(430, 37 * (rows.height + 1)),
    )


def say_lamp(own: list[dict[str, Any]]) -> str:
    """Say whether the code lights a warning lamp, as far as readers tell."""
    lit, known = (sum(r[k] for r in own) for k in ("n_vans_lamp", "n_vans_lamp_known"))
    if not known:
        return "No reader says whether it lights a warning lamp."
    return f"It lights a warning lamp on {lit or 'none'} of {count_of(known, 'van')} whose reader says so."


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
        st.write(escape(say_lamp(own)))
        st.caption(CAVEAT)


def show_matters(code: Code, found: pl.DataFrame) -> None:
    """What stands out about the chosen code."""
    of_code = pl.col("module").fill_null("") == code.module
    rows = found.filter((pl.col("code") == code.code) & of_code & pl.col("tier").is_in(_SAYS_SO)).to_dicts()
    if rows:
        with st.container(border=True):
            for row in rows[:4]:
                show_matter(row, with_link=False)
            show_cautions(rows)


def show_strips(view: View, code: Code) -> None:
    """The chosen code over time, van by van."""
    st.header("Van by van", anchor=False)
    asked = (view.warehouse, code.module, code.code, view.vans)
    vans, scans = codes.list_code_vans(*asked), codes.list_code_scans(*asked)
    show_chart(draw_strips(code, vans, scans, codes.list_code_clears(*asked), view.theme), key="code_strips")
    n_shown = int(vans["has_shown"].sum())
    more = (
        f" The {MOST_VANS} steadiest of {n_shown} are drawn; the table has all."
        if n_shown > MOST_VANS
        else ""
    )
    st.caption(STRIPS_KEY + more)
    offer_downloads(
        partial(picture_code_strips, view.warehouse, code, view.filters),
        scans,
        file_stem("code", code.short),
        key="strips_save",
    )
    table = vans.with_columns(
        pl.col("standing").replace_strict(_STANDINGS, return_dtype=pl.String),
        pl.format("{} of {}", "n_present", "n_scans").alias("recent"),
        pl.Series("steady", [say_steadiness(r) if r["has_shown"] else "never shown" for r in vans.iter_rows(named=True)]),
    )  # fmt: skip
    show_table(
        table,
        {
            "van": st.column_config.TextColumn("Van", width=64),
            "cohort": st.column_config.TextColumn("Group", width="medium"),
            "standing": st.column_config.TextColumn("Now", width=96),
            "recent": st.column_config.TextColumn("Newest scans", width=100),
            "steady": st.column_config.TextColumn("Since first shown", width=210),
            "n_cannot_tell": st.column_config.NumberColumn("Cannot tell", width=90),
            "n_clears": st.column_config.NumberColumn("Cleared", width=70),
            "n_clears_survived": st.column_config.NumberColumn("Came back", width=84),
            "last_status": st.column_config.TextColumn("Status", width=90),
            "first_seen": st.column_config.DateColumn("First", format="DD MMM YYYY"),
            "last_seen": st.column_config.DateColumn("Last", format="DD MMM YYYY"),
        },
        key="code_vans",
        alt=f"Vans and {code.name}",
        height=min(430, 37 * (vans.height + 1)),
    )
    for van in vans.filter(pl.col("standing") == "with")["van"].to_list()[:_MOST_LINKS]:
        link_to_van(f"All readings of van {escape(van)}", van)


def show_returns(view: View, code: Code) -> None:
    """Does it come back after clearing."""
    st.header("After clearing", anchor=False)
    returns = codes.list_code_returns(view.warehouse, code.module, code.code)
    st.write(escape(say_returns(returns)))
    if not is_worth_a_curve(returns):
        return
    unit = "days"
    if is_worth_a_curve(returns, "km"):
        words = {word: unit for unit, word in UNITS.items()}
        word = st.segmented_control(
            "Measured in",
            list(words),
            default=UNITS["days"],
            key="code_unit",
            bind="query-params",
            required=True,
        )
        unit = words.get(word or "", "days")
    show_chart(draw_returns(code, returns, unit, view.theme), key="code_returns")
    st.caption(RETURNS_KEY)
    offer_downloads(
        partial(picture_code_returns, view.warehouse, code, unit),
        returns,
        file_stem("code", code.short, "after clearing"),
        key="returns_save",
    )


def show_exposures(view: View, code: Code) -> None:
    """Exposures and model years it was tested against."""
    st.header("Parking, fittings and model year", anchor=False)
    rows = codes.list_code_exposures(view.warehouse, code.module, code.code)
    if rows.is_empty():
        st.write(
            "Too few vans have it, or too few differ, to ask whether it goes with an exposure or a model year."
        )
        return
    told = rows.with_columns(
        pl.Series("what", [f"{r['attribute'].replace('_', ' ')}: {r['level_name']}" for r in rows.iter_rows(named=True)]),
        pl.format("{} of {}", "n_exposed_with", "n_exposed").alias("exposed"),
        pl.format("{} of {}", "n_other_with", "n_other").alias("others"),
        pl.Series("odds", [format_ratio(r["odds_ratio"]) for r in rows.iter_rows(named=True)]),
        pl.Series("odds_span", [f"{format_ratio(r['odds_low'])} to {format_ratio(r['odds_high'])}" for r in rows.iter_rows(named=True)]),
        pl.Series("beside", [f"{r['rival_attribute'].replace('_', ' ')}: {r['rival_level']}" if r["rival_attribute"] else "" for r in rows.iter_rows(named=True)]),
        pl.col("q").round(3),
    )  # fmt: skip
    show_table(
        told,
        {
            "what": st.column_config.TextColumn("Vans with", width="medium"),
            "exposed": st.column_config.TextColumn("Have it", width=90),
            "others": st.column_config.TextColumn("Others", width=90),
            "odds": st.column_config.TextColumn("Odds ratio", width=84),
            "odds_span": st.column_config.TextColumn("95 % interval", width=110),
            "q": st.column_config.NumberColumn("q", width=64),
            "n_strata": st.column_config.NumberColumn("Groups", width=70),
            "beside": st.column_config.TextColumn(
                "Goes with", help="A stronger exposure that these vans share."
            ),
        },
        key="code_exposures",
        alt=f"Exposures and {code.name}: vans with it, odds ratio, interval.",
        height=min(320, 37 * (rows.height + 1)),
    )
    st.caption(
        "Counted within groups of siblings. An association, not a cause: vans were not parked at random."
    )


def show_company(view: View, code: Code) -> None:
    """What it stands beside and what it ended with."""
    st.header("Seen together, and gone after", anchor=False)
    fellows = codes.list_code_fellows(view.warehouse, code.module, code.code)
    if fellows.is_empty():
        st.write("No other code stood with it on two scans or more.")
    else:
        show_table(
            fellows.with_columns(
                pl.col("lift").round(1), (100 * pl.col("overlap")).round(0).alias("overlap")
            ),
            {
                "other_code": st.column_config.TextColumn("Code", width=74),
                "other_module": st.column_config.TextColumn("Module", width=80),
                "other_title": st.column_config.TextColumn("Meaning", width="medium"),
                "n_both": st.column_config.NumberColumn("Scans with both", width=110),
                "overlap": st.column_config.NumberColumn("Of scans with either, %", width=150),
                "lift": st.column_config.NumberColumn("Times chance", width=100),
                "n_vans_both": st.column_config.NumberColumn("Vans", width=60),
            },
            key="code_fellows",
            alt=f"Codes that stand on the same scans as {code.name}",
        )
    endings = codes.list_code_endings(view.warehouse, code.module, code.code)
    for row in endings.iter_rows(named=True):
        what = " ".join(filter(None, (row["what"], row["part"])))
        st.markdown(escape(f"Gone after {what}: {count_of(row['n_vans'], 'van')} ({row['vans']})."))
    if endings.is_empty():
        st.write("No work is on record after which it was gone for good.")


def show_readers(view: View) -> None:
    """Codes that readers disagree on."""
    st.header("Where readers disagree", anchor=False)
    rows = codes.list_code_readers(view.warehouse).filter(
        (pl.col("n_only") > 0) | (pl.col("n_only_other") > 0)
    )
    if rows.is_empty():
        st.write(
            "No two readers that asked the same module of one van within a day showed different codes; if none ever"
            " read one van on one day, try it once."
        )
        return
    show_table(
        rows,
        {
            "code": st.column_config.TextColumn("Code", width=74),
            "module": st.column_config.TextColumn("Module", width=80),
            "reader": st.column_config.TextColumn("Reader"),
            "n_only": st.column_config.NumberColumn("Only it", width=70),
            "n_only_faint": st.column_config.NumberColumn("of these pending or healed", width=170),
            "other_reader": st.column_config.TextColumn("Other reader"),
            "n_only_other": st.column_config.NumberColumn("Only the other", width=110),
            "n_only_other_faint": st.column_config.NumberColumn("of these pending or healed", width=170),
            "n_both": st.column_config.NumberColumn("Both", width=60),
            "n_vans": st.column_config.NumberColumn("Vans", width=60),
        },
        key="code_readers",
        alt="Codes that two readers showed or did not show on one van within a day.",
    )
    st.caption(
        "Readers may ask for different kinds of entries; pending and healed ones are the first to be left out."
    )


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
        show_matters(code, found)
        show_strips(view, code)
        show_returns(view, code)
        show_exposures(view, code)
        show_company(view, code)
    show_readers(view)


show()
