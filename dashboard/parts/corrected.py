"""Which scans people corrected: what, to what, why and who says so; from the journal."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import streamlit as st

from dashboard.parts.screen import offer_csv, show_table
from pipeline.journal import read_entries
from pipeline.settings import Home

FIELDS = {"van": "van", "scanned_at": "time (UTC)", "odometer_km": "odometer, km"}
SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "at": pl.Datetime("us"),
    "reader": pl.String,
    "scan_id": pl.String,
    "field": pl.String,
    "value": pl.String,
    "why": pl.String,
    "who": pl.String,
    "holds": pl.String,
}


def list_corrected(home: Home) -> pl.DataFrame:
    """Return one row per correction that was not taken back, newest first.

    Columns `at` (naive UTC), `reader`, `scan_id`, `field` in words, `value`, `why`, `who`, and `holds`: "yes", or "no"
    where a later correction of the same field took its place.

    Raises
    ------
    KinbayError
        Where a journal entry is damaged.
    """
    entries = read_entries(home, "correction", "taken_back") if home.journal.is_dir() else []
    gone = {e.get("names") for e in entries if e["kind"] == "taken_back"}
    rows: list[dict[str, Any]] = []
    settled: set[tuple[Any, ...]] = set()
    for entry in reversed([e for e in entries if e["kind"] == "correction" and e["entry"] not in gone]):
        key = tuple(entry.get(name) for name in ("reader", "scan_id", "field"))
        told = {name: str(entry.get(name) or "") for name in ("reader", "scan_id", "value", "why", "who")}
        at = dt.datetime.fromisoformat(str(entry["at"])).astimezone(dt.UTC).replace(tzinfo=None)
        field = FIELDS.get(str(entry.get("field")), str(entry.get("field")))
        rows.append({**told, "at": at, "field": field, "holds": "no" if key in settled else "yes"})
        settled.add(key)
    return pl.DataFrame(rows, schema=SCHEMA)


def show_corrected(home: Home) -> None:
    """Draw the table, or say that there is none."""
    st.header("Corrected scans", anchor=False)
    corrected = list_corrected(home)
    if corrected.is_empty():
        st.write(
            "No scan was corrected. A wrong van, time or odometer is put right above, or with `kinbay correct`."
        )
        return
    st.write("What the files say stays on record; a correction counts from the next build on.")
    show_table(
        corrected,
        {
            "at": st.column_config.DatetimeColumn("Corrected (UTC)", format="DD MMM YYYY, HH:mm"),
            "reader": st.column_config.TextColumn("Reader"),
            "scan_id": st.column_config.TextColumn("Scan"),
            "field": st.column_config.TextColumn("What"),
            "value": st.column_config.TextColumn("Put right to"),
            "why": st.column_config.TextColumn("Why", width="medium"),
            "who": st.column_config.TextColumn("Who"),
            "holds": st.column_config.TextColumn("Holds", help="No: a later correction took its place."),
        },
        key="data_corrected",
        alt="Corrected scans, newest first",
    )
    offer_csv(corrected, "kinbay-corrected-scans", key="data_corrected")
