"""One van's reading before and after work, over the band of its siblings, with the day of the work marked."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import Chart, along_time, configure, fill, height_over_time
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import Reading, clean_text, say_part
from pipeline.counted import count_of

_HEIGHT = 240
# In the order in which they are told: what did not hold first.
WORDS = {
    "not_held": "Did not hold",
    "held": "Held",
    "no_effect": "No effect to be seen",
    "too_early": "Too early",
    "not_judged": "Cannot be judged",
    "no_reading": "No reading to judge by",
}
GLYPHS = {
    "held": "●",
    "not_held": "▲",
    "no_effect": "■",
    "too_early": "✚",
    "not_judged": "✚",
    "no_reading": "–",
}
SIDES = ("Before", "After", "Not counted")
_SHAPES = ("square", "circle", "cross")


def say_verdict(row: dict[str, Any]) -> str:
    """Say the verdict with the scans since the work behind it, shape first, as in "✚ Too early (1 of 2 scans)"."""
    said = f"{GLYPHS[row['verdict']]} {WORDS[row['verdict']]}"
    if row.get("is_by_code") or row["n_after"] is None or row["verdict"] == "not_judged":
        return said
    if row["verdict"] == "too_early":
        return f"{said} ({row['n_after']} of {count_of(row['n_needed'], 'scan')})"
    return f"{said} ({count_of(row['n_after'], 'scan')} since)"


def say_work(row: dict[str, Any]) -> str:
    """Say what was done, on which van and when."""
    code = f" for {clean_text(row['code'])}" if row.get("code") else ""
    return f"{row['worked_at']:%d %b %Y}, van {clean_text(row['van'])}: {say_part(row['what'], row['part'])}{code}"


def place_scans(scans: pl.DataFrame, row: dict[str, Any], reading: Reading) -> pl.DataFrame:
    """Say of each scan of the van whether it counts before or after the work, or not at all.

    Parameters
    ----------
    scans : polars.DataFrame
        As `list_van_scan_values` gives them.
    row : dict
        The row of `list_repair_readings` that is drawn.
    reading : Reading
        What is read.
    """
    day, start, end = row["work_day"], row["own_from"], row["own_to"]
    sides, said = [], []
    for scan in scans.iter_rows(named=True):
        on = scan["scanned_at"].date()
        is_before = start is not None and start <= on < day
        is_after = end is not None and day < on <= end
        sides.append(SIDES[0] if is_before else SIDES[1] if is_after else SIDES[2])
        said.append(
            f"{scan['scanned_at']:%d %b %Y}: {reading.say(scan['value'])}, {clean_text(scan['reader'])},"
            f" {sides[-1].lower()}"
        )
    return scans.select(
        pl.col("scanned_at").cast(pl.Datetime("ms")).alias("at"),
        pl.col("value").cast(pl.Float64),
        pl.Series("side", sides, dtype=pl.String),
        pl.Series("said", said, dtype=pl.String),
    )


def _means(placed: pl.DataFrame) -> pl.DataFrame:
    """One line per side at the mean of its scans as read."""
    return (
        placed.filter(pl.col("side") != SIDES[2])
        .group_by("side", maintain_order=True)
        .agg(pl.col("at").min().alias("from"), pl.col("at").max().alias("to"), pl.col("value").mean())
    )


def _months(months: pl.DataFrame) -> pl.DataFrame:
    return months.select(
        (pl.col("month_at") + pl.duration(days=15)).cast(pl.Datetime("ms")).alias("at"),
        pl.col("low").cast(pl.Float64),
        pl.col("middle").cast(pl.Float64),
        pl.col("high").cast(pl.Float64),
    )


def _work(row: dict[str, Any], scans: pl.DataFrame) -> pl.DataFrame:
    """The day of the work, its words turned away from the right edge."""
    first, last = scans["scanned_at"].min(), scans["scanned_at"].max()
    is_late = first is not None and row["worked_at"] > first + (last - first) * 0.6  # type: ignore[operator]
    what = say_part(row["what"], row["part"])
    return pl.DataFrame(
        {
            "at": [row["worked_at"]],
            "what": [what],
            "side": ["right" if is_late else "left"],
            "shift": [-4 if is_late else 4],
        },
        schema={"at": pl.Datetime("ms"), "what": pl.String, "side": pl.String, "shift": pl.Int64},
    )


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    x, height = along_time(), height_over_time
    months, scans = alt.Chart(alt.NamedData("months")), alt.Chart(alt.NamedData("scans"))
    means, work = alt.Chart(alt.NamedData("means")), alt.Chart(alt.NamedData("work"))
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    legend = alt.Legend(title=None, orient="bottom", direction="horizontal", symbolSize=80, offset=6)
    shape = alt.Shape("side:N", scale=alt.Scale(domain=list(SIDES), range=list(_SHAPES)), legend=legend)
    colour = alt.Color(
        "side:N",
        scale=alt.Scale(domain=list(SIDES), range=[theme.outside, theme.chosen, theme.unjudged]),
        legend=legend,
    )
    layers = [
        months.mark_area(color=theme.band, **hidden).encode(x, height("low"), y2="high"),
        months.mark_line(color=theme.text, strokeDash=[4, 3], strokeWidth=1, **hidden).encode(x, height("middle")),
        work.mark_rule(color=theme.borderline, strokeWidth=1.5, **hidden).encode(x),
        work.mark_text(align={"expr": "datum.side"}, baseline="top", dx={"expr": "datum.shift"}, y=0, fontSize=11.5, color=theme.borderline, limit=180,
                       aria=False).encode(x, text="what:N"),
        means.mark_rule(color=theme.text, strokeWidth=2, **hidden).encode(along_time("from"), height("value"), x2="to"),
        scans.mark_point(filled=True, size=70, opacity=1).encode(
            x, height("value"), shape, colour, description="said:N", tooltip=alt.Tooltip("said:N", title="Scan")),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_repair(
    row: dict[str, Any], scans: pl.DataFrame, months: pl.DataFrame, reading: Reading, theme: Theme
) -> Chart:
    """Draw one reading of a van before and after work over its siblings' band.

    Parameters
    ----------
    row : dict
        One row of `list_repair_readings`, with `work_day`.
    scans, months : polars.DataFrame
        As `list_van_scan_values` and `list_sibling_months` give them.
    reading : Reading
        What is read.
    theme : Theme
        Colours and font.
    """
    title = f"{reading.parameter_name} ({reading.unit})" if reading.unit else reading.parameter_name
    spec = fill(build_template(theme.name), height=_HEIGHT, axis_title=title)
    placed = place_scans(scans, row, reading)
    data = {"months": _months(months), "scans": placed, "means": _means(placed), "work": _work(row, scans)}
    spec["layer"] = [layer for layer in spec["layer"] if data[layer["data"]["name"]].height]
    counts = {side: placed.filter(pl.col("side") == side).height for side in SIDES}
    alt_text = (
        f"{reading.title} of van {clean_text(row['van'])} before and after work on {row['worked_at']:%d %b %Y}:"
        f" {count_of(counts['Before'], 'scan')} before, {counts['After']} after, {counts['Not counted']} not counted."
        f" {WORDS[row['verdict']]}. The band holds the middle 90 % of its siblings' scans each month."
    )
    return Chart(spec, data, alt_text)
