"""Codes held against what vans are exposed to: how many have the code on either side, and the odds ratio."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.shift_rows import say_q
from dashboard.charts.words import format_ratio
from dashboard.parts.screen import file_stem, show_table


def show_odds(rows: pl.DataFrame, first: dict[str, Any], last: dict[str, Any], *, key: str, alt: str) -> None:
    """Draw a table of tested pairs of code and exposure.

    Parameters
    ----------
    rows : polars.DataFrame
        Counts on both sides, odds ratio with interval, q, `n_strata`, and the columns of `first` and `last`.
    first, last : dict
        Columns before and after the shared ones, with their headings.
    key, alt : str
        Names the table; says what it shows.
    """
    told = rows.with_columns(
        pl.format("{} of {}", "n_exposed_with", "n_exposed").alias("exposed"),
        pl.format("{} of {}", "n_other_with", "n_other").alias("others"),
        pl.Series("odds", [format_ratio(r["odds_ratio"]) for r in rows.iter_rows(named=True)]),
        pl.Series("odds_span", [f"{format_ratio(r['odds_low'])} to {format_ratio(r['odds_high'])}" for r in rows.iter_rows(named=True)]),
        pl.Series("sure", [say_q(q).removeprefix("q ") for q in rows["q"]], dtype=pl.String),
    )  # fmt: skip
    shared = {
        "exposed": st.column_config.TextColumn("Have it", width=84),
        "others": st.column_config.TextColumn("Others", width=84),
        "odds": st.column_config.TextColumn("Odds ratio", width=84),
        "odds_span": st.column_config.TextColumn("95 % interval", width=110),
        "sure": st.column_config.TextColumn("q", width=90, help="How often chance alone would do as much."),
        "n_strata": st.column_config.NumberColumn("Groups", width=70),
    }
    height = min(320, 37 * (rows.height + 1))
    show_table(told, first | shared | last, key=key, alt=alt, height=height, save=file_stem(key))
