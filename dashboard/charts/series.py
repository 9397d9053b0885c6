"""One van over time, over the band in which its siblings' scans lay."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import Chart, along_time, configure, fill, height_over_time
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import Reading, clean_text, say_part
from pipeline.counted import count_of

_HEIGHT = 220
_WIDTH, _LINE, _MOST_LINES = 560.0, 14.0, 8


def _months(months: pl.DataFrame) -> pl.DataFrame:
    """Place each month's band at its middle, so that it lies under the scans it comes from."""
    return months.select(
        (pl.col("month_at") + pl.duration(days=15)).cast(pl.Datetime("ms")).alias("at"),
        pl.col("low").cast(pl.Float64),
        pl.col("middle").cast(pl.Float64),
        pl.col("high").cast(pl.Float64),
    )


def _scans(scans: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """One row per scan with the words a reader hears for it."""
    said = [
        f"{row['scanned_at']:%d %b %Y}: {reading.say(row['value'])}, {clean_text(row['reader'])}"
        for row in scans.iter_rows(named=True)
    ]
    return scans.select(
        pl.col("scanned_at").cast(pl.Datetime("ms")).alias("at"),
        pl.col("value").cast(pl.Float64),
        pl.Series("said", said, dtype=pl.String),
    )


def _work(events: pl.DataFrame, scans: pl.DataFrame) -> pl.DataFrame:
    """One row per dated work entry: a line in the picture, its words turned away from the right edge."""
    work = events.filter((pl.col("kind") == "work") & pl.col("happened_at").is_not_null())
    named = [say_part(text) for text in work["what"]]
    first, last = scans["scanned_at"].min(), scans["scanned_at"].max()
    late = pl.lit(first).is_not_null() & (
        pl.col("happened_at") > pl.lit(first) + (pl.lit(last) - pl.lit(first)) * 0.6
    )
    return work.select(
        pl.col("happened_at").cast(pl.Datetime("ms")).alias("at"),
        pl.Series("what", named, dtype=pl.String),
        pl.Series("top", _stagger(work["happened_at"].to_list(), named, first, last), dtype=pl.Float64),
        pl.when(late).then(pl.lit("right")).otherwise(pl.lit("left")).alias("side"),
        pl.when(late).then(-4).otherwise(4).alias("shift"),
    )


def _stagger(moments: list[Any], named: list[str], first: Any, last: Any) -> list[float]:
    """Return how far below the upper edge each name of work stands, in points of a chart `_WIDTH` wide.

    Names of work soon after one another stand one under the other.
    """
    length = (last - first).total_seconds() if first is not None and last > first else 0.0
    taken: dict[int, list[tuple[float, float]]] = {}
    tops = []
    for moment, name in zip(moments, named, strict=True):
        x = _WIDTH * (moment - first).total_seconds() / length if length else 0.0
        is_late, width = x > 0.6 * _WIDTH, min(160, 6.3 * len(name)) + 10
        start, end = (x - width, x) if is_late else (x, x + width)
        row = next(r for r in range(len(moments)) if all(end <= a or start >= b for a, b in taken.get(r, [])))
        taken.setdefault(row, []).append((start, end))
        tops.append(_LINE * min(row, _MOST_LINES))
    return tops


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    x, height = along_time(), height_over_time
    months, scans = alt.Chart(alt.NamedData("months")), alt.Chart(alt.NamedData("scans"))
    work = alt.Chart(alt.NamedData("work"))
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    layers = [
        months.mark_area(color=theme.band, **hidden).encode(x, height("low"), y2="high"),
        months.mark_line(color=theme.text, strokeDash=[4, 3], strokeWidth=1, **hidden).encode(x, height("middle")),
        work.mark_rule(color=theme.borderline, strokeWidth=1.5, **hidden).encode(x),
        work.mark_text(align={"expr": "datum.side"}, baseline="top", dx={"expr": "datum.shift"}, y={"expr": "datum.top"}, fontSize=11.5, color=theme.borderline, limit=160,
                       aria=False).encode(x, text="what:N"),
        scans.mark_line(color=theme.chosen, strokeWidth=1.5, **hidden).encode(x, height("value")),
        scans.mark_point(filled=True, size=64, opacity=1, color=theme.chosen).encode(
            x, height("value"), description="said:N", tooltip=alt.Tooltip("said:N", title="Scan")),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_series(
    van: str, scans: pl.DataFrame, months: pl.DataFrame, events: pl.DataFrame, reading: Reading, theme: Theme
) -> Chart:
    """Draw the scans of one van over its siblings' band.

    Parameters
    ----------
    van : str
        Whose scans.
    scans : polars.DataFrame
        As `list_van_scan_values` gives them.
    months : polars.DataFrame
        As `list_sibling_months` gives them: the middle 90 % of the siblings' scans a month.
    events : polars.DataFrame
        As `list_van_events` gives them; work entries become lines.
    reading : Reading
        What is read.
    theme : Theme
        Colours and font.
    """
    title = f"{reading.parameter_name} ({reading.unit})" if reading.unit else reading.parameter_name
    spec = fill(build_template(theme.name), height=_HEIGHT, axis_title=title)
    data = {"months": _months(months), "scans": _scans(scans, reading), "work": _work(events, scans)}
    # Layers without data are left out: they would only make the browser complain of an endless axis.
    spec["layer"] = [layer for layer in spec["layer"] if data[layer["data"]["name"]].height]
    alt_text = f"{reading.title} of van {clean_text(van)} over time: {count_of(scans.height, 'scan')}"
    if scans.height:
        first, last = scans.row(0, named=True), scans.row(-1, named=True)
        alt_text += (
            f", from {reading.say(first['value'])} on {first['scanned_at']:%d %b %Y}"
            f" to {reading.say(last['value'])} on {last['scanned_at']:%d %b %Y}"
        )
    return Chart(spec, data, f"{alt_text}. The band holds the middle 90 % of its siblings' scans each month.")
