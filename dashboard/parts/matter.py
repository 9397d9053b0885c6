"""One finding on screen: what is claimed, how sure it is, what else it could be, what to check, cautions."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard.charts.code_names import Code
from dashboard.charts.palette import GLYPHS
from dashboard.charts.words import (
    Reading,
    clean_text,
    count_decimals,
    count_of,
    format_number,
    format_ratio,
)
from dashboard.parts.links import link_to, link_to_reading
from dashboard.parts.plain import escape

TIERS = {
    "finding": "Stands out",
    "likely": "Likely",
    "watch": "Watch",
    "not_enough_evidence": "Not enough evidence",
}
AGAINST = {
    "siblings": "its siblings",
    "own_past": "its own past",
    "other_cohorts": "other groups",
    "reader_limits": "the reader's limits",
    "physics": "what physics allows",
    "other_reader": "the other reader",
    "other_level": "the others",
}
_CELL_KINDS = ("van_level", "van_change", "van_drift", "reading_frozen")


def glyph_of(row: dict[str, Any]) -> str:
    """Return the shape that goes with a finding: up or down, or a square where it has no direction."""
    if row["tier"] == "finding" and row["difference"] is not None:
        return GLYPHS["above" if row["difference"] > 0 else "below"]
    return GLYPHS["borderline"] if row["tier"] in ("finding", "likely") else GLYPHS["not_judged"]


def say_figures(row: dict[str, Any]) -> str:
    """Say the difference of a finding and its interval, where it has them; the claim has the values."""
    if row["code"] is not None:
        return _say_code_figures(row)
    decimals = count_decimals(row["smallest_useful"], row["resolution"])
    unit = f" {clean_text(row['unit'])}" if row["unit"] and row["unit"] != "1" else ""
    if row["difference"] is None:
        return ""
    text = f"Difference {format_number(row['difference'], decimals, signed=True)}{unit}"
    if row["interval_low"] is not None:
        low, high = (format_number(row[k], decimals, signed=True) for k in ("interval_low", "interval_high"))
        text += f" (95 % interval {low} to {high})"
    return text


def _say_code_figures(row: dict[str, Any]) -> str:
    """Say the share of scans or vans that show a code, or its odds ratio, with the interval."""
    if row["value"] is None or row["interval_low"] is None:
        return ""
    if row["kind"] == "exposure_effect":
        value, low, high = (format_ratio(row[k]) for k in ("value", "interval_low", "interval_high"))
        return f"Odds ratio {value} (95 % interval {low} to {high})"
    value, low, high = (format_number(100 * row[k], 0) for k in ("value", "interval_low", "interval_high"))
    return f"Share {value} % (95 % interval {low} to {high} %)"


def say_sureness(row: dict[str, Any]) -> str:
    """Say what the claim rests on: siblings, vans, scans, dates, and whether it holds the hard way too."""
    counts = []
    for column, noun in (("n_siblings", "sibling"), ("n_vans", "van"), ("n_scans", "scan")):
        if row[column] is not None and not (column == "n_vans" and row["n_siblings"] is not None):
            counts.append(count_of(row[column], noun))
    text = ", ".join(counts)
    if row["first_seen"] is not None and row["last_seen"] is not None:
        text += f", {row['first_seen']:%d %b %Y} to {row['last_seen']:%d %b %Y}"
    if row["robust"]:
        text += ". Holds even if healthy siblings vary wildly"
    return text


def _show_right(row: dict[str, Any]) -> None:
    """What to do next and what else it could be."""
    if row["next_check"]:
        st.markdown(f"**Next check.** {escape(row['next_check'])}")
    if row["rivals"]:
        st.caption(f"**Could also be.** {escape('; '.join(row['rivals']))}")


def _show_link(row: dict[str, Any]) -> None:
    if row["code"] is not None:
        chosen = Code(row["module"] or "", row["code"], "", "other").short
        link_to("codes", "See this code over time", icon=":material/fact_check:", code=chosen)
    if row["kind"] in _CELL_KINDS and row["van"] is not None and row["parameter"] is not None:
        channel = "change" if row["kind"] == "van_change" else row["movement"] or "level"
        link_to_reading("See it beside its siblings", Reading.from_row(row), row["van"], channel=channel)


def say_why(row: dict[str, Any]) -> str:
    """Say how sure a finding is and what it rests on, in one line."""
    against = AGAINST.get(row["against"] or "")
    tier = TIERS[row["tier"]] + (f" against {against}" if against else "")
    return ". ".join(text for text in (tier, say_figures(row), say_sureness(row)) if text) + "."


def show_matter(row: dict[str, Any], *, with_link: bool = True) -> None:
    """Draw one finding; its cautions are left to `show_cautions`, once for all of a box."""
    left, right = st.columns([3, 2], gap="medium")
    with left, st.container(gap="xsmall"):
        st.markdown(f"{glyph_of(row)} **{escape(row['claim'])}**")
        st.caption(escape(say_why(row)))
        if with_link:
            _show_link(row)
    with right, st.container(gap="xsmall"):
        _show_right(row)


def show_cautions(rows: list[dict[str, Any]]) -> None:
    """Draw every caution of these findings once."""
    for line in dict.fromkeys(line for row in rows for line in row["cautions"]):
        st.markdown(f":material/warning: **Caution.** {escape(line)}")
