"""Differences of many readings in one picture: a row per reading, measured in what would be worth a look in one van."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import ROW_WORDS, Chart, configure, fill, mark_size, row_words, span
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import Reading, format_number
from pipeline.compare.tiers import NEGLIGIBLE
from pipeline.counted import count_of

MOST_ROWS = 12
_ROW = 58
AXIS = "Difference, 1 = worth a look in one van"
KINDS = ("higher", "lower", "likely", "unsure")
WORDS = {
    "higher": "Higher",
    "lower": "Lower",
    "likely": "Likely",
    "unsure": "Not sure, or too small to matter",
}
SHAPES = {"higher": "triangle-up", "lower": "triangle-down", "likely": "square", "unsure": "circle"}
SCHEMA: dict[str, Any] = dict.fromkeys(("cell", "label", "figure", "said", "word", "weight"), pl.String) | {
    "size": pl.Int64,
    **dict.fromkeys(("at", "from", "to", "y", "text_y"), pl.Float64),
}


def grade(row: dict[str, Any], sure: float = 0.05, likely: float = 0.20) -> str:
    """Return the kind of a row by its q and size: higher, lower, likely or unsure."""
    useful = row["smallest_useful"]
    if row["q"] is None or row["q"] > likely or (useful and abs(row["shift"]) < NEGLIGIBLE * useful):
        return "unsure"
    if row["q"] > sure:
        return "likely"
    return "higher" if row["shift"] > 0 else "lower"


def say_shift(row: dict[str, Any], reading: Reading) -> str:
    """Say a difference with its interval: "+3.0 °C (2.3 to 3.9)"."""
    if row["shift_low"] is None:
        return f"{reading.say(row['shift'], signed=True)}, no interval"
    low, high = (reading.say(row[k], signed=True, unit=False) for k in ("shift_low", "shift_high"))
    return f"{reading.say(row['shift'], signed=True)} ({low} to {high})"


def _ruler(row: dict[str, Any]) -> float:
    """What one unit of the axis is: the smallest useful difference, else ten steps of the reading."""
    return row["smallest_useful"] or 10 * (row["resolution"] or 0.1)


def lay_rows(shifts: pl.DataFrame, chosen: str | None) -> pl.DataFrame:
    """Give every row its place and words.

    Parameters
    ----------
    shifts : polars.DataFrame
        Columns of a reading, shift with interval, q, n_vans; drawn in their order, `MOST_ROWS` at most.
    chosen : str, optional
        Title of the reading to be written in bold.
    """
    rows = []
    for number, row in enumerate(shifts.head(MOST_ROWS).iter_rows(named=True)):
        reading, ruler, kind = Reading.from_row(row), _ruler(row), grade(row)
        ends = [row[k] if row[k] is not None else row["shift"] for k in ("shift_low", "shift_high")]
        y = number * _ROW + 38.0
        rows.append(
            {
                "cell": reading.title,
                "label": reading.title,
                "figure": say_shift(row, reading),
                "said": f"{reading.title}: {say_shift(row, reading)}, {row['n_vans']} vans. {WORDS[kind]}.",
                "word": WORDS[kind],
                "weight": "bold" if reading.title == chosen else "normal",
                "size": 110 if kind != "unsure" else 72,
                "at": row["shift"] / ruler,
                "from": ends[0] / ruler,
                "to": ends[1] / ruler,
                "y": y,
                "text_y": y - ROW_WORDS,
            }
        )
    return pl.DataFrame(rows, schema=SCHEMA)


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    y_scale = alt.Scale(domain=[0, 1], reverse=True, nice=False, zero=False)
    x_scale = alt.Scale(domain=[0, 1], zero=False, nice=False)
    x_axis = alt.Axis(title="{axis}", tickCount=6, grid=True)

    def at(field: str) -> alt.X:
        return alt.X(f"{field}:Q", axis=x_axis, scale=x_scale)

    def height(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=None, scale=y_scale)

    rows, zero = alt.Chart(alt.NamedData("rows")), alt.Chart(alt.NamedData("zero"))
    words = [WORDS[k] for k in KINDS]
    legend = alt.Legend(
        title=None, orient="top", direction="horizontal", columns=2, symbolSize=90, labelLimit=240, offset=6
    )
    colours = [theme.outside, theme.outside, theme.borderline, theme.within]
    shape = alt.Shape(
        "word:N", scale=alt.Scale(domain=words, range=[SHAPES[k] for k in KINDS]), legend=legend
    )
    colour = alt.Color("word:N", scale=alt.Scale(domain=words, range=colours), legend=legend)
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    layers = [
        zero.mark_rule(color=theme.text, strokeDash=[4, 3], **hidden).encode(at("at"), height("top"), y2="bottom"),
        *row_words(rows, theme, height("text_y"), name="label", figure="figure", room=160, weight="datum.weight"),
        rows.mark_rule(color=theme.edge, strokeWidth=2.5, clip=True, **hidden)
        .encode(at("from"), height("y"), x2="to"),
        rows.mark_point(filled=True, opacity=1, stroke=theme.ground, strokeWidth=0.7)
        .encode(at("at"), height("y"), shape, colour, size=mark_size(), description="said:N"),
        rows.mark_point(filled=True, size=420, opacity=0.001, color=theme.ground, cursor="pointer", aria=False)
        .encode(at("at"), height("y"), tooltip=[alt.Tooltip("said:N", title="Reading")])
        .add_params(alt.selection_point(name="pick", fields=["cell"], toggle=False, clear=False)),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_shifts(shifts: pl.DataFrame, what: str, chosen: str | None, theme: Theme) -> Chart:
    """Draw the differences of many readings.

    Parameters
    ----------
    shifts : polars.DataFrame
        As `lay_rows` takes them.
    what : str
        What is compared, for the description.
    chosen : str, optional
        The chosen reading's title.
    theme : Theme
        Colours and font.
    """
    rows = lay_rows(shifts, chosen)
    # One wide interval must not squeeze the rest into a line: the axis holds every mark, and lines are cut.
    reach = 2.5 * max([1.0, *(abs(v) for v in rows["at"])])
    ends = [max(-reach, v) for v in rows["from"]] + [min(reach, v) for v in rows["to"]] + [0.0]
    spec = fill(
        build_template(theme.name),
        height=max(1, rows.height) * _ROW + 6,
        axis_title=AXIS,
        x_domain=span([*ends, *rows["at"]]),
    )
    # A line of its own for each row, so that it crosses no words.
    zero = rows.select(
        pl.lit(0.0).alias("at"), (pl.col("y") - 9).alias("top"), (pl.col("y") + 9).alias("bottom")
    )
    data = {"rows": rows, "zero": zero}
    counts = dict(rows.group_by("word").len().iter_rows())
    told = ", ".join(f"{counts[w]} {w[0].lower()}{w[1:]}" for w in WORDS.values() if w in counts)
    first = f" First: {rows['said'][0]}" if rows.height else ""
    return Chart(spec, data, f"{what}: {count_of(rows.height, 'reading')}, {told or 'none'}.{first}")


def say_q(q: float | None) -> str:
    """Say how often chance would do as much, after paying for all that was tested."""
    if q is None:
        return "not tested"
    return "q below 0.001" if q < 0.001 else f"q {format_number(q, 3 if q < 0.1 else 2)}"
