"""A reading against age, kilometres, date or another reading: dots, a smoothed middle and band, one van's path."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import Chart, configure, fill, span
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import Reading, clean_text, format_number
from pipeline.counted import count_of

_HEIGHT = 340
_START = datetime(2000, 1, 1)
AXES = {"age": "Age of the van when scanned (years)", "odometer": "Odometer (km)", "date": "", "other": ""}


def _as_time(days: pl.Series) -> pl.Series:
    return pl.Series(days.name, [_START + timedelta(days=d) for d in days], dtype=pl.Datetime("ms"))


def _on_axis(frame: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Turn days into time where the axis is a calendar."""
    return frame.with_columns(_as_time(frame["x"])) if kind == "date" else frame


def say_x(x: float, kind: str, other: Reading | None) -> str:
    """Write a value of what the reading is held against."""
    if kind == "date":
        return f"{_START + timedelta(days=x):%d %b %Y}"
    if kind == "odometer":
        return f"{format_number(x, 0)} km"
    if kind == "age":
        return f"{format_number(x, 1)} years"
    return other.say(x) if other else format_number(x, 1)


def _dots(points: pl.DataFrame, reading: Reading, kind: str, other: Reading | None) -> pl.DataFrame:
    said = [
        f"Van {clean_text(row['van'])}, {clean_text(row['cohort'])}: {reading.say(row['y'])} at "
        f"{say_x(row['x'], kind, other)}, {count_of(row['n_scans'], 'scan')}"
        for row in points.iter_rows(named=True)
    ]
    return points.select("van", "x", "y", pl.Series("said", said, dtype=pl.String))


def _bins(points: pl.DataFrame) -> pl.DataFrame:
    bins = points.select("bin", "bin_x", "bin_middle", "bin_low", "bin_high", "bin_vans").unique().sort("bin")
    return bins.select(
        pl.col("bin_x").alias("x"),
        pl.col("bin_middle").alias("middle"),
        pl.col("bin_low").alias("low"),
        pl.col("bin_high").alias("high"),
        pl.format("n {}", "bin_vans").alias("n"),
        (pl.int_range(pl.len()) % 2 * -14).alias("rise"),  # two rows, so that counts of near bins stay apart
    )


def _end(steps: pl.DataFrame, points: pl.DataFrame, name: str) -> pl.DataFrame:
    """The last step of the path, its name turned away from the right edge."""
    low, high = span(list(points["x"]), padding=0)
    late = pl.col("x") > low + (high - low) * 0.75
    return steps.tail(1).select(
        "x",
        "y",
        pl.lit(name).alias("name"),
        pl.when(late).then(pl.lit("right")).otherwise(pl.lit("left")).alias("side"),
        pl.when(late).then(-13).otherwise(13).alias("shift"),
    )


@cache
def build_template(theme_name: str, kind: str) -> dict[str, Any]:
    """Build and check the spec once per theme and axis."""
    theme: Theme = THEMES[theme_name]
    is_date = kind == "date"
    axis = alt.Axis(title=None if is_date else "{across}", grid=False, tickCount=6, labelOverlap=True,
                    format="%b %Y" if is_date else ",.3~f")  # fmt: skip
    x = alt.X(f"x:{'T' if is_date else 'Q'}", axis=axis, scale=alt.Scale(zero=False, padding=12))
    y_axis = alt.Axis(title="{axis}", tickCount=5, titleAnchor="end", titleAngle=0, titleAlign="left", titleY=-14,
                      titleX=0)  # fmt: skip

    def height(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=alt.Scale(zero=False, padding=10))

    bins, dots = alt.Chart(alt.NamedData("bins")), alt.Chart(alt.NamedData("dots"))
    path, end = alt.Chart(alt.NamedData("path")), alt.Chart(alt.NamedData("end"))
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    pick = alt.selection_point(name="pick", fields=["van"], toggle=False, clear=False)
    told = alt.Tooltip("said:N", title="Van")
    layers = [
        bins.mark_area(color=theme.band, **hidden).encode(x, height("low"), y2="high"),
        bins.mark_line(color=theme.text, strokeDash=[4, 3], strokeWidth=1.5, **hidden).encode(x, height("middle")),
        bins.mark_text(y=_HEIGHT - 6, dy={"expr": "datum.rise"}, fontSize=11, color=theme.faint, aria=False)
        .encode(x, text="n:N"),
        dots.mark_point(filled=True, size=300, opacity=0.001, color=theme.ground, cursor="pointer", aria=False)
        .encode(x, height("y"), tooltip=told),
        dots.mark_point(filled=True, size=46, opacity=0.85, color=theme.within, stroke=theme.ground, strokeWidth=0.6,
                        cursor="pointer").encode(x, height("y"), description="said:N", tooltip=told).add_params(pick),
        path.mark_line(color=theme.chosen, strokeWidth=1.5, **hidden).encode(x, height("y"), order="order:Q"),
        path.mark_point(filled=True, size=60, opacity=1, color=theme.chosen, aria=False)
        .encode(x, height("y"), tooltip=told),
        end.mark_point(size=190, strokeWidth=2.2, color=theme.chosen, aria=False).encode(x, height("y")),
        end.mark_text(align={"expr": "datum.side"}, dx={"expr": "datum.shift"}, fontSize=13, fontWeight=600,
                      color=theme.chosen, aria=False).encode(x, height("y"), text="name:N"),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_ages(
    points: pl.DataFrame,
    path: pl.DataFrame,
    reading: Reading,
    kind: str,
    other: Reading | None,
    van: str | None,
    theme: Theme,
) -> Chart:
    """Draw a reading against something else.

    Parameters
    ----------
    points : polars.DataFrame
        As `list_age_points` gives them.
    path : polars.DataFrame
        The chosen van's scans from the same question, empty where none is chosen.
    reading : Reading
        What is read.
    kind : str
        age, odometer, date or other.
    other : Reading, optional
        The second reading, for kind other.
    van : str, optional
        The chosen van.
    theme : Theme
        Colours and font.
    """
    across = AXES[kind] or (f"{other.title} ({other.unit})" if other else "")
    title = (
        f"{reading.parameter_name} ({reading.unit})"
        if reading.unit not in ("", "1")
        else reading.parameter_name
    )
    spec = fill(build_template(theme.name, kind), height=_HEIGHT, axis_title=title)
    for layer in spec["layer"]:
        axis = layer["encoding"]["x"]["axis"]
        axis["title"] = across if axis.get("title") else None
    ordered = path.sort("scanned_at")
    steps = _dots(ordered, reading, kind, other).with_row_index("order")
    name = f"Van {clean_text(van)}" if van else ""
    data = {
        "bins": _on_axis(_bins(points), kind),
        "dots": _on_axis(_dots(points, reading, kind, other), kind),
        "path": _on_axis(steps.with_columns(pl.col("order").cast(pl.Int64)), kind),
        "end": _on_axis(_end(steps, points, name), kind),
    }
    low, high = span(list(points["y"]), padding=0)
    spec["layer"] = [layer for layer in spec["layer"] if data[layer["data"]["name"]].height]
    vans = count_of(points["van"].n_unique(), "van")
    alt_text = (
        f"{reading.title} against {(across or 'date').lower()}: {vans}, {reading.say(low, unit=False)} to "
        f"{reading.say(high)}. The band holds the middle 80 % of the vans near each place, the dashed line their median."
    )
    if ordered.height:
        first, last = ordered.row(0, named=True), ordered.row(-1, named=True)
        alt_text += (
            f" {name}: {reading.say(first['y'])} at {say_x(first['x'], kind, other)}, then {reading.say(last['y'])} at "
            f"{say_x(last['x'], kind, other)}, {count_of(ordered.height, 'scan')}."
        )
    return Chart(spec, data, alt_text)
