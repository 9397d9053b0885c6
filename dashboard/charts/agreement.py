"""Two readers on the same vans: difference against mean, with bias and limits of agreement (Bland and Altman 1986)."""

from __future__ import annotations

import copy
from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import Chart, configure, span
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.reader_words import Agreement, say_agreement
from dashboard.charts.words import Reading, clean_text
from pipeline.counted import count_of

HEIGHT = 300
_LINES = (("bias", "bias", "solid"), ("upper", "upper limit", "dashed"), ("lower", "lower limit", "dashed"))


def _marks(pairs: pl.DataFrame, reading: Reading, readers: tuple[str, str]) -> pl.DataFrame:
    reader, other = (clean_text(name) for name in readers)
    rows = [
        {
            "at": row["average"],
            "difference": row["difference"],
            "said": f"Van {clean_text(row['van'])}, {row['scanned_at']:%d %b %Y}: {reader} {reading.say(row['value'])},"
            f" {other} {reading.say(row['other_value'])}",
        }
        for row in pairs.iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema={"at": pl.Float64, "difference": pl.Float64, "said": pl.String})


def _lines(agreed: Agreement, reading: Reading) -> pl.DataFrame:
    rows = []
    if agreed.is_known:
        for name, word, style in _LINES:
            value, low, high = (getattr(agreed, f"{name}{end}") for end in ("", "_low", "_high"))
            rows.append(
                {
                    "value": value,
                    "low": low,
                    "high": high,
                    "label": f"{word} {reading.say(value, signed=True)}",
                    "is_bias": style == "solid",
                }
            )
    schema = {"value": pl.Float64, "low": pl.Float64, "high": pl.Float64, "label": pl.String}
    return pl.DataFrame(rows, schema=schema | {"is_bias": pl.Boolean})


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    x = alt.X(
        "at:Q",
        axis=alt.Axis(title="{x}", tickCount=6, labelOverlap=True),
        scale=alt.Scale(domain=[0, 1], zero=False, nice=False),
    )
    y_axis = alt.Axis(title="{y}", tickCount=6, grid=True)
    y_scale = alt.Scale(domain=[0, 1], zero=False, nice=False)

    def height(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    pairs, lines = alt.Chart(alt.NamedData("pairs")), alt.Chart(alt.NamedData("lines"))
    zero = alt.Chart(alt.NamedData("zero"))
    wide: dict[str, Any] = {"x": 0, "x2": {"expr": "width"}}
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    layers = [
        lines.mark_rect(color=theme.band, opacity=0.8, clip=True, **wide, **hidden).encode(height("low"), y2="high"),
        zero.mark_rule(color=theme.faint, strokeWidth=1, **wide, **hidden).encode(height("value")),
        lines.transform_filter("datum.is_bias").mark_rule(color=theme.chosen, strokeWidth=2.5, **wide, **hidden)
        .encode(height("value")),
        lines.transform_filter("!datum.is_bias").mark_rule(color=theme.edge, strokeWidth=2, strokeDash=[5, 4], **wide, **hidden)
        .encode(height("value")),
        pairs.mark_point(filled=True, opacity=1, size=80, color=theme.within, stroke=theme.ground, strokeWidth=0.7)
        .encode(x, height("difference"), description="said:N", tooltip=[alt.Tooltip("said:N", title="Pair")]),
        lines.mark_text(align="right", baseline="bottom", dy=-3, fontSize=12, color=theme.text, aria=False,
                        x={"expr": "width"}).encode(height("value"), text="label:N"),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_agreement(
    pairs: pl.DataFrame,
    agreed: Agreement,
    reading: Reading,
    readers: tuple[str, str],
    theme: Theme,
) -> Chart:
    """Draw the difference of two readers against the mean of the two.

    Parameters
    ----------
    pairs : polars.DataFrame
        Rows of `list_reader_pairs`.
    agreed : Agreement
        Bias and limits of agreement with their intervals, drawn as bands.
    reading : Reading
        What is read.
    readers : tuple of str
        Difference is the first less the second.
    theme : Theme
        Colours and font.
    """
    reader, other = (clean_text(name) for name in readers)
    lines = _lines(agreed, reading)
    spec = copy.deepcopy(build_template(theme.name))
    spec["height"] = HEIGHT
    spec["autosize"] = {"type": "fit-x", "contains": "padding"}
    unit = f" ({reading.unit})" if reading.unit not in ("", "1") else ""
    titles = {"{x}": f"Mean of the two{unit}", "{y}": f"{reader} less {other}{unit}"}
    # The limits' own intervals may be wide with few vans: the marks and the limits set the axis, the bands are cut.
    domains = {
        "x": span(pairs["average"], 0.08),
        "y": span([*pairs["difference"], *lines["value"], 0.0], 0.18),
    }
    for layer in spec["layer"]:
        for channel, domain in domains.items():
            encoding = layer.get("encoding", {}).get(channel, {})
            if "scale" in encoding:
                encoding["scale"]["domain"] = list(domain)
            if encoding.get("axis"):
                encoding["axis"]["title"] = titles[encoding["axis"]["title"]]
    data = {"pairs": _marks(pairs, reading, readers), "lines": lines, "zero": pl.DataFrame({"value": [0.0]})}
    verdict, figures = say_agreement(agreed, reading, readers, None)
    alt_text = f"Difference against mean, {count_of(pairs.height, 'pair')} of scans. {verdict} {figures}"
    return Chart(spec, data, alt_text)
