"""One code: how it fails, and what the engine was doing when it set."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.code_names import Code
from dashboard.charts.words import count_decimals, format_number
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, offer_csv, show_table
from dashboard.parts.view import View
from dashboard.questions import codes
from pipeline.counted import count_of

_FEW = 4


def say_lamp(rows: pl.DataFrame) -> str:
    """Say how often a code lights the warning lamp, as far as readers tell."""
    row = rows.row(0, named=True)
    if not row["n_known"]:
        return "No reader says whether it lights a warning lamp."
    if not row["n_lit"]:
        return (
            f"It lit no warning lamp on any of {count_of(row['n_known'], 'sighting')} whose reader says so"
            f" ({count_of(row['n_vans_known'], 'van')})."
        )
    share = round(100 * row["n_lit"] / row["n_known"])
    return (
        f"It lit a warning lamp on {row['n_lit']} of {count_of(row['n_known'], 'sighting')} whose reader says so"
        f" ({share} %), on {row['n_vans_lit']} of {count_of(row['n_vans_known'], 'van')}."
    )


def say_failure_types(rows: pl.DataFrame) -> str:
    """Say in which ways a code has failed, by the failure types that readers gave."""
    said = [
        f"{r['failure_type']} {r['failure_says'] or 'not in the list'} ({count_of(r['n_vans'], 'van')})"
        for r in rows.iter_rows(named=True)
    ]
    return f"Failure types: {'; '.join(said)}." if said else ""


def say_states(rows: pl.DataFrame) -> str:
    """Say in which operating states a code set, by vans: "warm idle on 5 of 8 vans with a freeze frame"."""
    every = rows.filter(pl.col("state") == "any")
    if every.is_empty():
        return "No reader gave a freeze frame with it, so nothing is known about the moment at which it sets."
    n_vans, n_frames = max(every["n_vans"].to_list()), max(every["n_frames"].to_list())
    known = rows.filter(~pl.col("state").is_in(["any", "unknown"]))
    states = known.group_by("state_name", maintain_order=True).agg(pl.col("n_vans").max())
    told = [
        f"{r['state_name']} on {r['n_vans']}"
        for r in states.sort("n_vans", descending=True, maintain_order=True).head(3).iter_rows(named=True)
    ]
    behind = f"{count_of(n_vans, 'van')} with a freeze frame ({count_of(n_frames, 'frame')})"
    few = f" Fewer than {_FEW} vans: cases, not a pattern." if n_vans < _FEW else ""
    if not told:
        return f"{behind}; no frame holds what tells the operating state (engine speed with vehicle speed and coolant).{few}"
    return f"Of {behind}: {', '.join(told)}.{few}"


def _value(row: dict[str, Any], middle: str, low: str, high: str, n: str) -> str | None:
    if row[middle] is None:
        return None
    decimals = count_decimals(row["smallest_useful"], row["resolution"])
    text = format_number(row[middle], decimals)
    if row[n] > 1:
        text += f" ({format_number(row[low], decimals)} to {format_number(row[high], decimals)})"
    return f"{text} {row['unit']}".strip()


def tell_frames(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of the table: when it set, and the siblings' usual level in that state."""
    found = rows.iter_rows(named=True)
    pairs = [
        (
            _value(r, "value", "value_low", "value_high", "n_vans"),
            _value(r, "fleet_value", "fleet_low", "fleet_high", "n_fleet_vans"),
        )
        for r in found
    ]
    return rows.with_columns(
        pl.Series("when_set", [p[0] for p in pairs], dtype=pl.String),
        pl.Series("usually", [p[1] for p in pairs], dtype=pl.String),
    )


def show_moments(view: View, code: Code) -> None:
    """What the engine was doing when the code set, pooled over the fleet."""
    st.header("When it sets", anchor=False)
    rows = codes.list_code_frames(view.warehouse, code.module, code.code)
    st.write(escape(say_states(rows)))
    if rows.is_empty():
        return
    show_table(
        tell_frames(rows),
        {
            "parameter_name": st.column_config.TextColumn("Reading", width=150),
            "when_set": st.column_config.TextColumn("When it set", width=190),
            "state_name": st.column_config.TextColumn("Operating state", width=150),
            "usually": st.column_config.TextColumn("Siblings, usually then", width=200),
            "n_vans": st.column_config.NumberColumn("Vans", width=60),
            "n_frames": st.column_config.NumberColumn("Frames", width=70),
            "n_fleet_vans": st.column_config.NumberColumn("Siblings", width=74),
        },
        key="code_frames",
        alt=f"What the freeze frames of {code.name} hold, by operating state, beside the siblings' usual levels.",
        height=min(430, 37 * (rows.height + 1)),
    )
    st.caption(
        "Median over vans, one value a van, with the middle half of them in brackets. One frame a showing: a stored"
        " code keeps its frame. Siblings: all vans of these groups, their level of the past year in that state. A"
        " computer stores the moment at which a test failed, which may come well after the cause."
    )
    offer_csv(rows, file_stem("code", code.short, "freeze frames"), key="frames_save")


def show_van_frames(view: View, van: str) -> None:
    """What the van's computer noted when its codes set; nothing where no reader gave a freeze frame."""
    rows = codes.list_van_frames(view.warehouse, van)
    if rows.is_empty():
        return
    told = rows.with_columns(
        pl.Series("noted", [
            f"{format_number(r['value'], count_decimals(r['smallest_useful'], r['resolution']))} {r['unit']}"
            for r in rows.iter_rows(named=True)
        ], dtype=pl.String)
    )  # fmt: skip
    with st.expander("What was noted when they set (freeze frames)", icon=":material/photo_camera:"):
        show_table(
            told,
            {
                "code": st.column_config.TextColumn("Code", width=80),
                "module": st.column_config.TextColumn("Module", width=90),
                "parameter_name": st.column_config.TextColumn("Reading", width="medium"),
                "noted": st.column_config.TextColumn("When it set", width=120),
                "scanned_at": st.column_config.DateColumn("Scan", format="DD MMM YYYY"),
            },
            key="van_frames",
            save=file_stem("van", van, "freeze frames"),
            alt="Readings noted when the van's codes set: code, reading, value, scan.",
        )
