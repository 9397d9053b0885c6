"""What physics says, on the pages that show a reading or a van."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.palette import GLYPHS
from dashboard.charts.physics_words import (
    conclude,
    gather,
    is_suspect,
    say_departure,
    say_expected,
    say_limit,
    say_siblings,
    say_van,
)
from dashboard.charts.words import CAVEAT, Reading
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, show_table
from dashboard.parts.view import View
from dashboard.questions import physics
from pipeline.counted import count_of

_MOST_GROUPS = 4


def show_physics(view: View, reading: Reading, van: str | None) -> None:
    """What physics expects of a reading, group by group; nothing where it expects nothing.

    With a van only its group; else those with most of their vans outside a limit or what is plausible.
    """
    if reading.channel != "level":
        return
    rows = physics.list_expected_vans(view.warehouse, reading.parameter, reading.state, view.vans)
    if rows.is_empty():
        return
    limits = physics.list_cohort_limits(view.warehouse, reading.parameter, reading.state, view.vans)
    worst: dict[str, dict[str, Any]] = {}
    for row in limits.iter_rows(named=True):
        worst.setdefault(row["cohort_id"], row)
    st.header("Can it be right?", anchor=False)
    chosen, n_quiet = _choose_groups(rows, worst, van)
    for cohort in chosen:
        _show_group(rows.filter(pl.col("cohort_id") == cohort), worst.get(cohort), reading, van)
    if n_quiet:
        st.write(
            f"{count_of(n_quiet, 'other group' if chosen else 'group')}: plausible, and nothing speaks against the readings."
        )
    st.caption(f"Physics allows a range, not one value. {CAVEAT}")


def _choose_groups(
    rows: pl.DataFrame, worst: dict[str, dict[str, Any]], van: str | None
) -> tuple[list[str], int]:
    """Return the groups to tell of, and how many others there is nothing to tell of."""
    own = rows.filter(pl.col("van") == pl.lit(van))["cohort_id"].to_list() if van is not None else []
    if own:
        return own, 0
    odd = dict(
        rows.group_by("cohort_id", maintain_order=True).agg((~pl.col("is_plausible")).mean()).iter_rows()
    )
    loud = [c for c in odd if odd[c] or is_suspect(worst.get(c))]
    shares = {c: w["n_vans_outside"] / w["n_vans"] for c, w in worst.items() if w["n_vans"]}
    ranked = sorted(loud, key=lambda c: -max(odd[c], shares.get(c, 0.0)))
    return ranked[:_MOST_GROUPS], len(odd) - len(loud)


def _show_group(mine: pl.DataFrame, limit: dict[str, Any] | None, reading: Reading, van: str | None) -> None:
    """What was read and what is expected of one group, ending in what is doubted."""
    group = gather(mine)
    outside = f" {say_limit(limit, reading)}" if limit is not None and limit["n_vans_outside"] else ""
    with st.container(border=True, gap="xsmall"):
        st.markdown(f"**{escape(f'{group.cohort}.{outside}')}**")
        st.write(escape(f"{say_siblings(group, reading)} {say_expected(group, reading)}"))
        st.markdown(f"**{escape(conclude(group, reading, limit))}**")
        own = mine.filter(pl.col("van") == pl.lit(van)).to_dicts() if van is not None else []
        if own:
            st.write(escape(say_van(own[0], group, reading)))


def show_van_physics(view: View, van: str) -> None:
    """What physics expects of every reading of one van; nothing where it expects nothing."""
    rows = physics.list_van_expectations(view.warehouse, van)
    if rows.is_empty():
        return
    told = []
    for row in rows.iter_rows(named=True):
        reading = Reading.from_row(row)
        siblings = "–"
        if row["cohort_departure"] is not None and row["n_vans"] > 1:
            middle = say_departure(row["cohort_departure"], row["relation"], reading)
            siblings = f"{middle}; {row['n_vans_plausible']} of {row['n_vans']} plausible"
        told.append(
            {
                "reading": reading.title,
                "is_right": f"{GLYPHS['within']} plausible" if row["is_plausible"] else f"{GLYPHS['borderline']} not plausible",
                "measured": reading.say(row["measured"]),
                "expected": reading.say(row["expected"]),
                "share": say_departure(row["departure"], row["relation"], reading),
                "bounds": f"{say_departure(row['low'], row['relation'], reading)} to {say_departure(row['high'], row['relation'], reading)}",
                "siblings": siblings,
                "n_scans": row["n_scans"],
                "says": row["says"],
            }
        )  # fmt: skip
    odd = rows.filter(~pl.col("is_plausible")).height
    st.header("Can it be right?", anchor=False)
    st.write(
        f"{odd or 'None'} of {rows.height} readings that physics expects something of {'lies' if odd == 1 else 'lie'}"
        " outside what it allows."
    )
    show_table(
        pl.DataFrame(told),
        {
            "reading": st.column_config.TextColumn("Reading", width="medium"),
            "is_right": st.column_config.TextColumn("Can it be right", width=130),
            "measured": st.column_config.TextColumn("Read", width=110),
            "expected": st.column_config.TextColumn("Expected", width=110),
            "share": st.column_config.TextColumn("Of it, or from it", width=120),
            "bounds": st.column_config.TextColumn("Plausible", width=130),
            "siblings": st.column_config.TextColumn("Group's middle", width=190),
            "n_scans": st.column_config.NumberColumn("Scans", width=60),
            "says": st.column_config.TextColumn("Expected by", width="medium"),
        },
        key="van_physics",
        save=file_stem("van", van, "can it be right"),
        alt="Readings of this van beside what physics expects.",
        height=min(320, 37 * (rows.height + 1)),
    )
