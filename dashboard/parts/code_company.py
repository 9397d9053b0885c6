"""One code: exposures it goes with, codes it travels with, work it ended with; readers that disagree."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard.charts.code_names import Code
from dashboard.charts.words import say_part
from dashboard.parts.code_odds import show_odds
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, show_table
from dashboard.parts.view import View
from dashboard.questions import codes
from pipeline.counted import count_of


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
        pl.Series("beside", [f"{r['rival_attribute'].replace('_', ' ')}: {r['rival_level']}" if r["rival_attribute"] else "" for r in rows.iter_rows(named=True)]),
    )  # fmt: skip
    show_odds(
        told,
        {"what": st.column_config.TextColumn("Vans with", width="medium")},
        {
            "beside": st.column_config.TextColumn(
                "Goes with", help="A stronger exposure that these vans share."
            )
        },
        key="code_exposures",
        alt=f"Exposures and {code.name}: vans with it, odds ratio, interval.",
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
            save=file_stem("code", code.short, "seen together"),
            alt=f"Codes that stand on the same scans as {code.name}",
        )
    endings = codes.list_code_endings(view.warehouse, code.module, code.code)
    for row in endings.iter_rows(named=True):
        st.markdown(
            escape(
                f"Gone after {say_part(row['what'], row['part'])}: {count_of(row['n_vans'], 'van')} ({row['vans']})."
            )
        )
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
        save="codes-readers-disagree-on",
        alt="Codes that two readers showed or did not show on one van within a day.",
    )
    st.caption(
        "Readers may ask for different kinds of entries; pending and healed ones are the first to be left out."
    )


def show_numbers(view: View) -> None:
    """Maker's numbers without a text, told by what they travel with and which work ended them."""
    rows = codes.list_maker_numbers(view.warehouse, view.vans)
    if rows.is_empty():
        return
    st.header("Maker's numbers without a text", anchor=False)
    told = rows.with_columns(
        pl.Series("fellow", [_say_fellow(r) for r in rows.iter_rows(named=True)], dtype=pl.String),
        pl.Series("ended", [_say_ending(r) for r in rows.iter_rows(named=True)], dtype=pl.String),
    )
    show_table(
        told,
        {
            "code": st.column_config.TextColumn("Number", width=80),
            "module": st.column_config.TextColumn("Module", width=90),
            "n_vans": st.column_config.NumberColumn("Vans ever", width=80),
            "n_scans": st.column_config.NumberColumn("Scans", width=70),
            "fellow": st.column_config.TextColumn("Travels most with", width="medium"),
            "ended": st.column_config.TextColumn("Gone after", width="medium"),
        },
        key="maker_numbers",
        save="makers-numbers",
        alt="Maker's numbers without a text: vans, scans, the code each travels with, the work it ended with.",
        height=min(320, 37 * (rows.height + 1)),
    )
    st.caption(
        "Nobody gave these numbers a meaning, and none is made up here. What stands beside them and what ended them"
        " says where to look; ask the maker's own lists."
    )


def _say_fellow(row: dict[str, object]) -> str | None:
    if row["fellow"] is None:
        return None
    return f"{row['fellow']}, {row['fellow_module'] or 'module not named'} ({row['n_both']} of {row['n_with']} scans)"


def _say_ending(row: dict[str, object]) -> str | None:
    if row["ended_after"] is None:
        return None
    return f"{row['ended_after']} ({row['n_vans_ended']} of {row['n_vans']} vans)"
