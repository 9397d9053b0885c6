"""Fourth page: what the comparison rests on, what was refused, what contradicts itself, what is missing."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard.parts.corrected import show_corrected
from dashboard.parts.last_seen import show_last_seen
from dashboard.parts.put_right import show_put_right
from dashboard.parts.roles import may
from dashboard.parts.screen import offer_csv, show_table
from dashboard.parts.view import View, page
from dashboard.parts.work import show_work
from dashboard.questions import records
from pipeline.counted import count_of
from pipeline.settings import STALE_DAYS, Home


def say_health(coverage: pl.DataFrame, rejects: pl.DataFrame, conflicts: pl.DataFrame) -> str:
    """Say in one line what there is and what is wrong with it."""
    stale = coverage.filter("is_stale").height
    return (
        f"**{count_of(int(coverage['n_scans'].sum()), 'scan')} of {count_of(coverage.height, 'van')}.**"
        f" {count_of(stale, 'van')} not scanned for {STALE_DAYS} days;"
        f" {count_of(rejects.height, 'row')} refused; {count_of(conflicts.height, 'contradiction')}."
    )


def show_coverage(coverage: pl.DataFrame) -> None:
    """How well each van is known."""
    st.header("How well each van is known", anchor=False)
    st.write(
        "Longest unseen first. Not scanned, not answered, not judged and no fault are four different things."
    )
    show_table(
        coverage,
        {
            "van": st.column_config.TextColumn("Van", width=80),
            "cohort": st.column_config.TextColumn("Group", width="medium"),
            "depot": st.column_config.TextColumn("Depot"),
            "last_scan_at": st.column_config.DateColumn("Last scan", format="DD MMM YYYY"),
            "days_since_scan": st.column_config.NumberColumn("Days ago", format="%.0f"),
            "n_scans": st.column_config.NumberColumn("Scans"),
            "n_readers": st.column_config.NumberColumn("Readers"),
            "n_cells_scored": st.column_config.NumberColumn("Judged"),
            "n_cells_not_judged": st.column_config.NumberColumn("Not judged"),
        },
        key="data_coverage",
        alt="Vans by days since their last scan",
    )
    offer_csv(coverage, "kinbay-coverage", key="data_coverage")


def show_conflicts(conflicts: pl.DataFrame) -> None:
    """Records that cannot both be true."""
    st.header("Contradictions", anchor=False)
    if conflicts.is_empty():
        st.write("No two records contradict each other.")
        return
    st.write(
        "Neither side is compared until someone settles which is right: look at the van, then put the scan right below, or withdraw the wrong file with `kinbay withdraw`."
    )
    show_table(
        conflicts,
        {
            "van": st.column_config.TextColumn("Van", width=80),
            "happened_at": st.column_config.DateColumn("When", format="DD MMM YYYY"),
            "detail": st.column_config.TextColumn("What", width="large"),
            "parameter_name": st.column_config.TextColumn("Reading"),
            "value": st.column_config.NumberColumn("One says", format="localized"),
            "other_value": st.column_config.NumberColumn("Other says", format="localized"),
            "unit": st.column_config.TextColumn("Unit", width=70),
        },
        key="data_conflicts",
        alt="Contradicting records",
    )
    offer_csv(conflicts, "kinbay-contradictions", key="data_conflicts")


def show_rejects(rejects: pl.DataFrame) -> None:
    """Rows that were refused, why, and how to mend them."""
    st.header("Refused rows", anchor=False)
    if rejects.is_empty():
        st.write("No row was refused.")
        return
    st.write("Mend the rows in a copy of the file and load it again; rows already taken are not taken twice.")
    show_table(
        rejects,
        {
            "file": st.column_config.TextColumn("File", width="medium"),
            "line": st.column_config.NumberColumn("Line", width=60),
            "column_name": st.column_config.TextColumn("Column", width=100),
            "value": st.column_config.TextColumn("Value", width=120),
            "reason": st.column_config.TextColumn("Why", width="medium"),
            "remedy": st.column_config.TextColumn("What to do", width="medium"),
        },
        key="data_rejects",
        alt="Refused rows",
    )
    offer_csv(rejects, "kinbay-refused-rows", key="data_rejects")


def show_files(files: pl.DataFrame, scans: pl.DataFrame) -> None:
    """What was loaded, and the scans in it."""
    st.header("Files loaded", anchor=False)
    if files.is_empty():
        st.write("No file is on record.")
    else:
        show_table(
            files,
            {
                "file": st.column_config.TextColumn("File", width="medium"),
                "layout": st.column_config.TextColumn("Layout"),
                "table_name": st.column_config.TextColumn("Table"),
                "loaded_at": st.column_config.DatetimeColumn("Loaded (UTC)", format="DD MMM YYYY, HH:mm"),
                "taken": st.column_config.NumberColumn("Taken"),
                "duplicates": st.column_config.NumberColumn("Twice"),
                "rejected": st.column_config.NumberColumn("Refused"),
            },
            key="data_files",
            alt="Loaded files",
        )
    st.header("Scans", anchor=False)
    show_table(
        scans.head(500).with_columns(pl.col("odometer_km").round(0)),
        {
            "scanned_at": st.column_config.DatetimeColumn("When (UTC)", format="DD MMM YYYY, HH:mm"),
            "van": st.column_config.TextColumn("Van", width=80),
            "reader": st.column_config.TextColumn("Reader"),
            "odometer_km": st.column_config.NumberColumn("Odometer, km", format="localized"),
            "n_readings": st.column_config.NumberColumn("Readings"),
            "n_codes": st.column_config.NumberColumn("Codes"),
            "n_modules_answered": st.column_config.NumberColumn("Modules answered"),
            "n_modules_silent": st.column_config.NumberColumn("Silent"),
        },
        key="data_scans",
        alt="Scans, newest first",
        height=min(320, 37 * (scans.height + 1)),
    )
    if scans.height > 500:
        st.caption(f"The newest 500 of {scans.height:,} scans; the saved file has all.")
    offer_csv(scans, "kinbay-scans", key="data_scans")


@page("Scans and records")
def show(view: View) -> None:
    """What there is and what is wrong with it."""
    show_work()
    coverage = records.list_coverage(view.warehouse, view.vans)
    rejects = records.list_rejects(view.warehouse)
    conflicts = records.list_conflicts(view.warehouse, view.vans)
    st.markdown(say_health(coverage, rejects, conflicts))
    st.caption(
        f"Data to {view.build['data_to']:%d %b %Y}. The filters at the side apply, but not to files and refused rows."
    )
    show_last_seen(view)
    show_coverage(coverage)
    show_conflicts(conflicts)
    if may("enter"):
        show_put_right(view, Home.find())
    show_corrected(Home.find())
    show_rejects(rejects)
    show_files(
        records.list_files(view.warehouse), records.list_scans(view.warehouse, view.vans, view.filters)
    )


show()
