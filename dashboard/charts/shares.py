"""Where differences come from: one stacked bar per reading."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import Chart, configure
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import Reading, clean_text, format_number, format_share, lower_first
from pipeline.counted import count_of

PARTS = {
    "model_year": "Model year",
    "van": "Van",
    "reader": "Reader",
    "exposure": "Parking and fittings",
    "rest": "Scan to scan",
}
MEANS = {
    "model_year": "vans of one model differ by their year",
    "van": "vans of one year differ from each other, and stay so",
    "reader": "readers show one van differently",
    "exposure": "parking, fittings and the like that were found to move it",
    "rest": "one van differs from scan to scan",
}
_ROW = 26
_READERS_ROOM = 48  # pixels right of the bars: the reader's share in figures, often too small to see
# What fits into a piece, whatever the screen: name and share, a short name, the share alone, or nothing.
_WIDE = "(datum.end - datum.start) * width"
_LABEL = f"{_WIDE} > 125 ? datum.long : {_WIDE} > 66 ? datum.short : {_WIDE} > 30 ? datum.percent : ''"


_TEXTS = {"reading": pl.String, "figure": pl.String}


def fills(theme: Theme) -> dict[str, tuple[str, str]]:
    """Return ground and text colour of each part; the words in the bars and the order tell them apart as well."""
    return {
        "model_year": (theme.borderline, theme.ground),
        "van": (theme.outside, theme.ground),
        "reader": (theme.chosen, theme.ground),
        "exposure": (theme.within, theme.ground),
        "rest": (theme.band, theme.text),
    }


def say_shares(rows: pl.DataFrame) -> str:
    """Count the readings by the part that is largest in them (rows of `list_variance_shares` of one state)."""
    largest = rows.drop_nulls("share").sort("share", descending=True).unique("parameter", keep="first")
    counts = dict(largest.group_by("part").len().iter_rows())
    told = [f"{lower_first(name)} in {counts[part]}" for part, name in PARTS.items() if part in counts]
    return f"Largest part of a reading's differences: {', '.join(told)} of {count_of(largest.height, 'reading')}."


def say_share(row: dict[str, Any]) -> str:
    """Say one part with its interval, or why it is not told."""
    name = PARTS[row["part"]]
    if row["share"] is None:
        return f"{name}: not told, {clean_text(row['reason'] or 'too little data')}"
    text = f"{name}: {format_share(row['share'])}"
    if row["low"] is None:
        return text
    return f"{text} (95 % interval {format_number(100 * row['low'], 0)} to {format_share(row['high'])})"


def say_reading(rows: pl.DataFrame, reading: Reading) -> str:
    """Say in one sentence where most of the differences of a reading come from."""
    known = rows.filter(pl.col("share").is_not_null()).sort("share", descending=True)
    if known.is_empty():
        return f"{reading.title}: too little data to tell where its differences come from."
    first = known.row(0, named=True)
    n = f"{count_of(first['n_vans'], 'van')}, {count_of(first['n_scans'], 'scan')}"
    return f"{reading.title}: {format_share(first['share'])} of its differences because {MEANS[first['part']]} ({n})."


def _bars(shares: pl.DataFrame, theme: Theme) -> pl.DataFrame:
    """One row per bar piece from left to right, with its ends, colours and words."""
    order = list(PARTS)
    known = shares.filter(pl.col("share").is_not_null()).with_columns(
        place=pl.col("part").replace_strict({p: k for k, p in enumerate(order)}, return_dtype=pl.Int64)
    )
    of_vans = pl.col("share").filter(pl.col("part") == "van").first().over("parameter", "state")
    known = known.sort(of_vans.fill_null(0.0), "parameter", "state", "place", descending=[True, *[False] * 3])
    known = known.with_columns(ends=pl.col("share").cum_sum().over("parameter", "state"))
    rows: list[dict[str, Any]] = []
    for row in known.iter_rows(named=True):
        ground, text = fills(theme)[row["part"]]
        percent = format_share(row["share"])
        name = PARTS[row["part"]]
        rows.append(
            {
                "reading": _name(row),
                "part": PARTS[row["part"]],
                "start": row["ends"] - row["share"],
                "end": row["ends"],
                "middle": row["ends"] - row["share"] / 2,
                "long": f"{name} {percent}",
                "short": f"{name.split()[0]} {percent}",
                "percent": percent,
                "fill": ground,
                "ink": text,
                "said": f"{clean_text(row['parameter_name'])}. {say_share(row)}",
            }
        )
    return pl.DataFrame(rows, schema_overrides={"start": pl.Float64, "end": pl.Float64, "middle": pl.Float64})


def _name(row: dict[str, Any]) -> str:
    return clean_text(row["parameter_name"] or row["parameter"]).split(" (")[0]


def _readers(shares: pl.DataFrame) -> pl.DataFrame:
    """The reader's share of each reading in figures; a dash where it is not told."""
    rows = shares.filter(pl.col("part") == "reader").to_dicts()
    figures = ["–" if row["share"] is None else format_share(row["share"]) for row in rows]
    return pl.DataFrame({"reading": [_name(row) for row in rows], "figure": figures}, schema_overrides=_TEXTS)


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    y = alt.Y(
        "reading:N",
        sort=None,
        axis=alt.Axis(title=None, labelLimit={"expr": "width < 420 ? 150 : 230"}, labelColor=theme.text),
        scale=alt.Scale(paddingInner=0.22),
    )
    axis = alt.Axis(title="Share of the differences", labelExpr="format(100 * datum.value, '.0f') + ' %'",
                    tickCount=5, labelOverlap=True)  # fmt: skip
    x = alt.X("start:Q", axis=axis, scale=alt.Scale(domain=[0, 1], nice=False, clamp=True))
    colours = fills(theme)
    legend = alt.Legend(
        title=None, orient="top", columns={"expr": "width < 340 ? 1 : 5"}, symbolType="square", symbolSize=120
    )
    scale = alt.Scale(domain=list(PARTS.values()), range=[colours[p][0] for p in PARTS])
    bars, readers, head = (alt.Chart(alt.NamedData(name)) for name in ("bars", "readers", "head"))
    aside: dict[str, Any] = {
        "align": "right", "x": {"expr": f"width + {_READERS_ROOM - 4}"}, "fontSize": 11.5, "color": theme.text,
        "aria": False, "tooltip": None,
    }  # fmt: skip
    layers = [
        bars.mark_bar(stroke=theme.ground, strokeWidth=1.5).encode(
            x, y, x2="end", color=alt.Color("part:N", scale=scale, legend=legend), description="said:N",
            tooltip=alt.Tooltip("said:N", title="Part"),
        ),
        bars.mark_text(text={"expr": _LABEL}, fontSize=11.5, aria=False, tooltip=None).encode(
            alt.X("middle:Q", axis=axis), y, color=alt.Color("ink:N", scale=None)
        ),
        readers.mark_text(**aside).encode(y, text="figure:N"),
        head.mark_text(y=-8, **aside).encode(text="figure:N"),
    ]  # fmt: skip
    spec = configure(alt.layer(*layers), theme)
    spec["config"]["padding"]["right"] = _READERS_ROOM
    return spec


def draw_shares(shares: pl.DataFrame, state_name: str, theme: Theme) -> Chart:
    """Draw the readings of one state, each as a bar of its parts.

    Parameters
    ----------
    shares : polars.DataFrame
        Rows of `list_variance_shares` of one state.
    state_name : str
        The state in words.
    theme : Theme
        Colours and font.
    """
    data = _bars(shares, theme)
    n = data["reading"].n_unique() if data.height else 0
    spec = dict(build_template(theme.name)) | {
        "height": max(n, 1) * _ROW,
        "autosize": {"type": "fit-x", "contains": "padding"},
    }
    totals = shares.group_by("part").agg(pl.col("share").mean())
    means = {p: s for p, s in totals.iter_rows() if s is not None}
    told = ", ".join(f"{PARTS[p].lower()} {format_share(means[p])}" for p in PARTS if p in means)
    alt_text = f"Stacked bars of {count_of(n, 'reading')}, {clean_text(state_name)}: on average {told or 'nothing told'}."
    named = {"bars": data, "readers": _readers(shares), "head": pl.DataFrame({"figure": [PARTS["reader"]]})}
    return Chart(spec, named, alt_text)
