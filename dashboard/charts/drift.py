"""How far one van stands from its siblings month by month, its trend, and when the trend leaves their range."""

from __future__ import annotations

import datetime as dt
from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.drift_words import TOLD, is_told_as_step, say_course, say_edge, say_pace, say_size
from dashboard.charts.frame import Chart, along_time, configure, fill, height_over_time
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import Reading, clean_text
from pipeline.compare.steps import first_noticed, smooth
from pipeline.counted import count_of

_HEIGHT = 240
_DAYS_A_MONTH = 365.25 / 12
_WEIGHT = 0.3  # of the newest month in the smoothed line; usual between 0.2 and 0.3 (NIST e-Handbook 6.3.2.4)
_MOST_DAYS = 548  # drawn on beyond the last scan at most
DRIFT_KEY = (
    "Dots: how far the van stood from its siblings, month by month, season and readers taken off; thin line: the same"
    " smoothed. Straight line: its trend, dashed where drawn on, shaded what its 95 % interval allows; a line in two"
    " levels where it moved at once. Grey: the siblings' range. A line drawn on is no promise."
)


def _unit(reading: Reading) -> str:
    """The unit after a space; nothing for a bare number."""
    return f" {reading.unit}" if reading.unit not in ("", "1") else ""


def say_noticed(row: dict[str, Any], months: pl.DataFrame) -> str:
    """Say by when a running tally would have shown a drift; empty where none is told or it never would."""
    if row["tier"] not in TOLD:
        return ""
    place = first_noticed(months["difference"].to_numpy())
    return (
        ""
        if place is None
        else f"A running tally of the months would have shown it by {months['at'][place]:%b %Y}."
    )


def say_drift(row: dict[str, Any], months: pl.DataFrame) -> str:
    """Say what one reading of a van does over time: course, pace with interval, edge, and by when it could be seen."""
    reading = Reading.from_row(row)
    if row["reason"] is not None:
        return f"{reading.title}: not followed, {row['reason']}."
    basis = (
        f"{count_of(row['n_scans'], 'scan')} in {count_of(row['n_months'], 'month')} against"
        f" {count_of(row['n_siblings'], 'sibling')}"
    )
    edge = say_edge(row)
    if is_told_as_step(row):
        stands = f"It stands {edge.split()[0]} the siblings' range since then." if edge else ""
        said = f"{say_course(row)} at once about {row['step_at']:%b %Y}: {say_size(row)}, 95 % interval; {basis}."
        return " ".join(part for part in (said, stands, say_noticed(row, months)) if part)
    low, high = (reading.say(row[k], signed=True, unit=False) for k in ("interval_low", "interval_high"))
    said = (
        f"{say_course(row)}: {reading.say(row['difference'], signed=True)} in all (95 % {low} to {high}),"
        f" {say_pace(row['slope'])}{_unit(reading)} a month, {basis}."
    )
    told = "It has left the siblings' range." if row["has_left"] else f"Leaves the siblings' range: {edge}."
    return " ".join(
        part for part in (said, _say_chance(row), told if edge else "", say_noticed(row, months)) if part
    )


def _say_chance(row: dict[str, Any]) -> str:
    """Say why a course whose own interval leaves out nought is not told all the same."""
    is_told = row["tier"] in (*TOLD, "watch")
    if is_told or row["interval_low"] <= 0 <= row["interval_high"]:
        return ""
    return "Among all the readings followed in the fleet, chance alone makes some move as much."


def _line(row: dict[str, Any], months: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Ends of the trend, or of the two levels of a step, over the months seen, and of what is drawn on: middle, low, high."""
    schema: dict[str, Any] = {
        "at": pl.Datetime("ms"),
        "middle": pl.Float64,
        "low": pl.Float64,
        "high": pl.Float64,
    }
    if row["reason"] is not None or months.is_empty():
        return pl.DataFrame(schema=schema), pl.DataFrame(schema=schema)
    first, last, end = months["at"][0], months["at"][-1], row["end_value"]
    if is_told_as_step(row):
        after, at = row["step_end"], row["step_at"]
        levels = [
            (first, after - row["step_size"]),
            (at, after - row["step_size"]),
            (at, after),
            (last, after),
        ]
        ends = [(when, level, None, None) for when, level in levels]
        return pl.DataFrame(ends, schema=schema, orient="row"), pl.DataFrame(schema=schema)
    seen = [(first, row["start_value"], None, None), (last, end, None, None)]
    on: list[tuple[Any, ...]] = []
    if row["tier"] in (*TOLD, "watch"):
        far = row["leaves_to"] or row["leaves_at"] or last + dt.timedelta(days=180)
        ahead = min(max(far - last, dt.timedelta(days=90)), dt.timedelta(days=_MOST_DAYS))
        run = ahead.days / _DAYS_A_MONTH
        on = [(last, end, end, end)]
        on.append((last + ahead, *(end + row[k] * run for k in ("slope", "slope_low", "slope_high"))))
    return (
        pl.DataFrame(seen, schema=schema, orient="row"),
        pl.DataFrame(on, schema=schema, orient="row"),
    )


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    x, height = along_time(), height_over_time
    named = {n: alt.Chart(alt.NamedData(n)) for n in ("range", "months", "seen", "on", "leaves")}
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    layers = [
        named["range"].mark_area(color=theme.band, **hidden).encode(x, height("low"), y2="high"),
        named["range"].mark_line(color=theme.edge, strokeDash=[2, 3], strokeWidth=1, **hidden).encode(x, height("middle")),
        named["on"].mark_area(color=theme.outside, opacity=0.18, **hidden).encode(x, height("low"), y2="high"),
        named["on"].mark_line(color=theme.outside, strokeDash=[6, 4], strokeWidth=2, **hidden).encode(x, height("middle")),
        named["leaves"].mark_rule(color=theme.borderline, strokeWidth=1.5, **hidden).encode(x),
        named["leaves"].mark_text(align="right", baseline="top", dx=-4, y=0, fontSize=11.5, color=theme.borderline,
                                  limit=220, aria=False).encode(x, text="what:N"),
        named["months"].mark_line(color=theme.edge, strokeWidth=1.2, **hidden).encode(x, height("smoothed")),
        named["seen"].mark_line(color=theme.outside, strokeWidth=2, **hidden).encode(x, height("middle")),
        named["months"].mark_point(filled=True, size=64, opacity=1, color=theme.chosen).encode(
            x, height("difference"), description="said:N", tooltip=alt.Tooltip("said:N", title="Month")),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_drift(van: str, row: dict[str, Any], months: pl.DataFrame, theme: Theme) -> Chart:
    """Draw one reading of a van against its siblings through time.

    Parameters
    ----------
    van : str
        Which van.
    row : dict
        A row of `list_van_drifts`.
    months : polars.DataFrame
        As `list_drift_months` gives them.
    theme : Theme
        Colours and font.
    """
    reading = Reading.from_row(row)
    values = months["difference"].to_numpy()
    smoothed = smooth(values, _WEIGHT, float(values[0])) if len(values) else values
    said = [
        f"{m['scan_month']:%B %Y}: {reading.say(m['difference'], signed=True)}, {count_of(m['n_scans'], 'scan')}"
        for m in months.iter_rows(named=True)
    ]
    dots = months.select(
        pl.col("at").cast(pl.Datetime("ms")),
        pl.col("difference").cast(pl.Float64),
        pl.Series("smoothed", smoothed, dtype=pl.Float64),
        pl.Series("said", said, dtype=pl.String),
    )
    seen, on = _line(row, months)
    times = [t for frame in (dots, on) for t in frame["at"]]
    ends = [min(times), max(times)] if times and row["range_low"] is not None else []
    low, high = row["range_low"], row["range_high"]
    band = pl.DataFrame(
        [(at, low, 0.0, high) for at in ends],
        schema={"at": pl.Datetime("ms"), "low": pl.Float64, "middle": pl.Float64, "high": pl.Float64},
        orient="row",
    )
    leaves = (
        [(row["leaves_at"], "leaves the range")]
        if on.height and row["leaves_at"] and row["leaves_at"] <= max(times)
        else []
    )
    line = pl.DataFrame(leaves, schema={"at": pl.Datetime("ms"), "what": pl.String}, orient="row")
    title = ",".join(part for part in ("Difference from siblings", _unit(reading)) if part)
    spec = fill(build_template(theme.name), height=_HEIGHT, axis_title=title)
    data = {"range": band, "months": dots, "seen": seen, "on": on, "leaves": line}
    # Layers without data are left out: they would only make the browser complain of an endless axis.
    spec["layer"] = [layer for layer in spec["layer"] if data[layer["data"]["name"]].height]
    return Chart(spec, data, f"Van {clean_text(van)}, {reading.title}: {say_drift(row, months)}")
