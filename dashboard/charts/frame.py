"""What every chart shares: a spec built once, named data swapped in, text for those who cannot see it."""

from __future__ import annotations

import copy
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.palette import SHAPES, VERDICTS, WORDS, Theme


@dataclass(frozen=True)
class Chart:
    """A Vega-Lite spec without data, its named data, and its description.

    Parameters
    ----------
    spec : dict
        Vega-Lite 6, referring to `data` by name.
    data : dict of str to polars.DataFrame
        The named data.
    alt : str
        What the chart shows, for a reader who cannot see it.
    """

    spec: dict[str, Any]
    data: dict[str, pl.DataFrame]
    alt: str

    def as_dict(self, width: int | None = None) -> dict[str, Any]:
        """Return one self-contained spec with the data as plain rows, for export and tests."""
        times = pl.selectors.datetime()
        rows = {
            name: frame.with_columns(times.dt.to_string("iso")).to_dicts()
            for name, frame in self.data.items()
        }
        whole = copy.deepcopy(self.spec) | {"datasets": rows, "description": self.alt}
        return whole if width is None else whole | {"width": width}


def verdict_encodings() -> tuple[alt.Shape, alt.Color]:
    """Return shape and colour of a verdict with a fixed legend, so no category can vanish."""
    words = [WORDS[v] for v in VERDICTS]
    legend = alt.Legend(
        title=None, orient="top", direction="horizontal", columns=3, symbolSize=90, labelLimit=160, offset=6
    )
    shape = alt.Shape(
        "word:N", scale=alt.Scale(domain=words, range=[SHAPES[v] for v in VERDICTS]), legend=legend
    )
    return shape, alt.Color("word:N", scale=alt.Scale(domain=words), legend=legend)


# Months on an axis of dates; days too where it spans less than half a year, or months would stand there twice.
DATE_LABELS = "timeFormat(datum.value, domain('x')[1] - domain('x')[0] < 15552e6 ? '%d %b' : '%b %Y')"


def along_time(field: str = "at") -> alt.X:
    """The days of a chart over time, left to right."""
    axis = alt.Axis(title=None, grid=False, tickCount=6, labelExpr=DATE_LABELS, labelOverlap=True)
    return alt.X(f"{field}:T", axis=axis)


def height_over_time(field: str) -> alt.Y:
    """A value of a chart over time; the axis title lies above the axis, to be filled in."""
    axis = alt.Axis(
        title="{axis}", tickCount=5, titleAnchor="end", titleAngle=0, titleAlign="left", titleY=-14, titleX=0
    )
    return alt.Y(f"{field}:Q", axis=axis, scale=alt.Scale(zero=False, padding=10))


def mark_size() -> alt.Size:
    """Take a mark's area from the data as it stands: a scale of one category would draw it invisible."""
    return alt.Size("size:Q", scale=None, legend=None)


NARROW = 440  # pixels of plot; below, a row's figure stands under its name instead of beside it
_LETTER = 6.4  # pixels of a letter of a row's words, on the wide side
ROW_WORDS = 30.0  # pixels from a row's mark up to its name: room for both lines


def row_words(
    rows: alt.Chart, theme: Theme, y: alt.Y, *, name: str, figure: str, room: int, weight: str = "'normal'"
) -> list[alt.Chart]:
    """Return the words over the mark of a row: its name at the left, its figure at the right or one line below.

    Parameters
    ----------
    rows : altair.Chart
        The named data; `name` and `figure` are columns of it.
    theme : Theme
        Colours.
    y : altair.Y
        Where the name stands where both take a line each, `ROW_WORDS` over the mark.
    name, figure : str
        Columns with the words.
    room : int
        Pixels kept for the figure where both share a line; a longer figure takes what it needs.
    weight : str
        A Vega expression for the weight of the font.
    """
    text: dict[str, Any] = {
        "baseline": "middle",
        "fontSize": 12.5,
        "aria": False,
        "fontWeight": {"expr": weight},
    }
    is_narrow = f"width < {NARROW}"
    kept = f"max({room}, 12 + {_LETTER} * length(datum['{figure}'] || ''))"
    return [
        rows.mark_text(
            align="left", x=0, color=theme.text, limit={"expr": f"{is_narrow} ? width : width - {kept}"},
            dy={"expr": f"{is_narrow} ? 0 : 12"}, **text,
        ).encode(y, text=f"{name}:N"),
        rows.mark_text(
            align="right", x={"expr": "width"}, color=theme.faint, limit={"expr": f"{is_narrow} ? width : {kept} - 6"},
            dy={"expr": f"{is_narrow} ? 16 : 12"}, **text,
        ).encode(y, text=f"{figure}:N"),
    ]  # fmt: skip


def configure(chart: alt.LayerChart | alt.FacetChart, theme: Theme) -> dict[str, Any]:
    """Give a layered chart the theme and return its spec."""
    spec: dict[str, Any] = (
        chart.configure(background=theme.ground, font=theme.font, padding={"left": 2, "right": 8, "top": 4, "bottom": 4})
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=theme.faint, titleColor=theme.text, gridColor=theme.grid, domain=False, ticks=False,
            labelFontSize=12, titleFontSize=13, titleFontWeight="normal", labelPadding=6, labelFlush=True, titlePadding=10,
        )
        .configure_legend(labelColor=theme.text, labelFontSize=12.5)
        .configure_range(category=[theme.colours()[v] for v in VERDICTS])
        .to_dict()
    )  # fmt: skip
    return spec


def span(values: Iterable[float | None], padding: float = 0.05) -> tuple[float, float]:
    """Return the ends of an axis that holds all values with some room; (0, 1) where there are none."""
    known = [v for v in values if v is not None and math.isfinite(v)]
    if not known:
        return 0.0, 1.0
    low, high = min(known), max(known)
    room = (high - low) * padding or abs(high) * padding or 1.0
    return low - room, high + room


def fill(
    template: dict[str, Any],
    *,
    height: int,
    axis_title: str,
    x_domain: tuple[float, float] | None = None,
) -> dict[str, Any]:
    """Copy a built spec and set what depends on the data but is not data."""
    spec = copy.deepcopy(template)
    spec["height"] = height
    spec["autosize"] = {"type": "fit-x", "contains": "padding"}
    for layer in spec["layer"]:
        encoding = layer.get("encoding", {})
        for channel, domain in (("x", x_domain), ("y", (0, height))):
            scale = encoding.get(channel, {}).get("scale")
            if domain and scale and "domain" in scale:
                scale["domain"] = list(domain)
        for axis in (encoding.get(channel, {}).get("axis") for channel in ("x", "y")):
            if axis and axis.get("title") == "{axis}":
                axis["title"] = axis_title
    return spec
