"""One van over all its readings: how far each lies from its siblings, in units of the siblings' own range."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import (
    ROW_WORDS,
    Chart,
    configure,
    fill,
    mark_size,
    row_words,
    span,
    verdict_encodings,
)
from dashboard.charts.palette import GLYPHS, SIZES, THEMES, WORDS, Theme
from dashboard.charts.words import Reading, clean_text, say_evidence
from pipeline.counted import count_of

MOST_ROWS = 12
FARTHEST = 5.0  # half-ranges; a reading farther out is drawn at the edge with an arrow
_LEAST_SPAN = 1.6
_ROW = 58
AXIS = "Distance from the middle of the siblings (1 = edge of their range)"


def standardise(cells: pl.DataFrame) -> pl.DataFrame:
    """Add `at`, `from`, `to`: value and interval in half-widths of the sibling range around its middle.

    Cells without a range, or with one of no width, are left out: they have no such distance.
    """
    middle = (pl.col("sibling_low") + pl.col("sibling_high")) / 2
    half = (pl.col("sibling_high") - pl.col("sibling_low")) / 2
    return (
        cells.filter((pl.col("sibling_high") > pl.col("sibling_low")) & pl.col("value").is_not_null())
        .with_columns(
            ((pl.col("value") - middle) / half).alias("at"),
            ((pl.col("expected") + pl.col("interval_low") - middle) / half).alias("from"),
            ((pl.col("expected") + pl.col("interval_high") - middle) / half).alias("to"),
        )
        .sort(pl.col("at").abs(), descending=True)
    )


def _rows(cells: pl.DataFrame) -> pl.DataFrame:
    """One row per reading drawn, farthest from its siblings first, with its place and words."""
    rows = []
    for number, row in enumerate(cells.iter_rows(named=True)):
        reading = Reading.from_row(row, row["channel"])
        y = number * _ROW + 38.0
        rows.append(
            {
                "cell": f"{row['parameter']}/{row['state']}/{row['channel']}",
                "reading": reading.title,
                "figure": f"{reading.say(row['difference'], signed=True)} · {count_of(row['n_scans'], 'scan')}",
                "said": f"{reading.title}: {WORDS[row['verdict']].lower()}. {say_evidence(row, reading)}",
                "word": WORDS[row["verdict"]],
                "size": SIZES[row["verdict"]],
                "at": min(FARTHEST, max(-FARTHEST, row["at"])),
                "from": min(FARTHEST, max(-FARTHEST, row["from"])),
                "to": min(FARTHEST, max(-FARTHEST, row["to"])),
                "beyond": "▶" if row["at"] > FARTHEST else "◀" if row["at"] < -FARTHEST else "",
                "side": 14 if row["at"] > 0 else -14,
                "y": y,
                "text_y": y - ROW_WORDS,
                "top": y - 9,
                "bottom": y + 9,
                "low": -1.0,
                "high": 1.0,
            }
        )
    numbers = ("at", "from", "to", "y", "text_y", "top", "bottom", "low", "high")
    words = ("cell", "reading", "figure", "said", "word", "beyond")
    return pl.DataFrame(
        rows,
        schema=dict.fromkeys(words, pl.String)
        | {"size": pl.Int64, "side": pl.Int64}
        | dict.fromkeys(numbers, pl.Float64),
    )


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    y_scale = alt.Scale(domain=[0, 1], reverse=True, nice=False, zero=False)
    x_scale = alt.Scale(domain=[0, 1], zero=False, nice=False)
    x_axis = alt.Axis(title="{axis}", tickCount=7, grid=True)

    def at(field: str) -> alt.X:
        return alt.X(f"{field}:Q", axis=x_axis, scale=x_scale)

    def height(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=None, scale=y_scale)

    rows = alt.Chart(alt.NamedData("rows"))
    shape, colour = verdict_encodings()
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    layers = [
        rows.mark_rect(color=theme.band, **hidden).encode(at("low"), height("top"), x2="high", y2="bottom"),
        rows.mark_rule(color=theme.edge, **hidden).encode(at("low"), height("top"), y2="bottom"),
        rows.mark_rule(color=theme.edge, **hidden).encode(at("high"), height("top"), y2="bottom"),
        rows.mark_rule(color=theme.faint, strokeDash=[3, 3], **hidden).encode(
            alt.X(datum=0, type="quantitative", axis=x_axis, scale=x_scale), height("top"), y2="bottom"),
        *row_words(rows, theme, height("text_y"), name="reading", figure="figure", room=190),
        rows.mark_rule(color=theme.chosen, strokeWidth=2.5, **hidden).encode(at("from"), height("y"), x2="to"),
        rows.mark_point(filled=True, opacity=1, stroke=theme.ground, strokeWidth=0.7).encode(
            at("at"), height("y"), shape, colour, size=mark_size(), description="said:N"),
        rows.mark_text(dx={"expr": "datum.side"}, fontSize=11, color=theme.outside, aria=False).encode(
            at("at"), height("y"), text="beyond:N"),
        rows.mark_point(filled=True, size=420, opacity=0.001, color=theme.ground, cursor="pointer", aria=False)
        .encode(at("at"), height("y"), tooltip=[alt.Tooltip("said:N", title="Reading")])
        .add_params(alt.selection_point(name="pick", fields=["cell"], toggle=False, clear=False)),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_van(van: str, cells: pl.DataFrame, theme: Theme, *, legend: bool = True) -> Chart:
    """Draw the readings of one van against its siblings.

    Parameters
    ----------
    van : str
        Whose readings.
    cells : polars.DataFrame
        Rows of `list_van_cells`, already narrowed to the channel and states wanted.
    theme : Theme
        Colours and font.
    legend : bool
        Whether to say what the shapes mean; not needed beside another chart that does.
    """
    standing = standardise(cells).head(MOST_ROWS)
    rows = _rows(standing)
    ends = [-_LEAST_SPAN, _LEAST_SPAN, *rows["at"], *rows["from"], *rows["to"]]
    height = max(1, rows.height) * _ROW + 6
    spec = fill(build_template(theme.name), height=height, axis_title=AXIS, x_domain=span(ends))
    if not legend:
        for layer in spec["layer"]:
            for channel in ("shape", "color"):
                if "legend" in layer["encoding"].get(channel, {}):
                    layer["encoding"][channel]["legend"] = None
    counts = dict(standing.group_by("verdict").len().iter_rows())
    told = ", ".join(f"{counts[v]} {WORDS[v].lower()} {GLYPHS[v]}" for v in WORDS if v in counts)
    far = f" Farthest: {rows['said'][0]}" if rows.height else ""
    return Chart(
        spec,
        {"rows": rows},
        f"Readings of van {clean_text(van)} against its siblings: {told or 'none'}.{far}",
    )
