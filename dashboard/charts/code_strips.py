"""One code over time: a strip per van, a mark per scan: shown, not there, module silent, or not known."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.code_names import (
    ANSWER_SHAPES,
    ANSWER_SIZES,
    ANSWER_WORDS,
    ANSWERS,
    LOW_VOLTAGE,
    PRESENT,
    WHY_UNKNOWN,
    Code,
    answer_colours,
    say_steadiness,
)
from dashboard.charts.frame import ROW_WORDS, Chart, configure, fill, mark_size, row_words
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import clean_text
from pipeline.counted import count_of

MOST_VANS, MOST_SCANS = 15, 52  # more marks than these would be drawn slowly and read by nobody
ROW = 58
FIRST_ROW = 38.0


def choose_vans(vans: pl.DataFrame, most: int = MOST_VANS) -> list[str]:
    """Return the vans to draw: those that ever showed the code, the steadiest first."""
    return vans.filter(pl.col("has_shown"))["van"].to_list()[:most]


def _place(vans: list[str]) -> pl.DataFrame:
    rows = [{"van": van, "y": number * ROW + FIRST_ROW} for number, van in enumerate(vans)]
    return pl.DataFrame(rows, schema={"van": pl.String, "y": pl.Float64})


def _say_scan(row: dict[str, Any], answer: str) -> str:
    when, reader = f"{row['scanned_at']:%d %b %Y}", clean_text(row["reader"])
    why = f" ({WHY_UNKNOWN[row['why_unknown']]})" if row["why_unknown"] in WHY_UNKNOWN else ""
    status = f", {clean_text(row['status'])}" if row["status"] else ""
    lamp = ", lamp on" if row["lamp"] else ""
    return (
        f"Van {clean_text(row['van'])}, {when}: {ANSWER_WORDS[answer].lower()}{why}{status}{lamp}, {reader}"
    )


def _scans(scans: pl.DataFrame, places: pl.DataFrame) -> pl.DataFrame:
    """One mark per scan with the words a reader hears for it."""
    newest = pl.col("scanned_at").rank("ordinal", descending=True).over("van") <= MOST_SCANS
    answer = pl.when("is_low_voltage").then(pl.lit(LOW_VOLTAGE)).otherwise("standing")
    placed = (
        scans.filter(newest)
        .with_columns(answer.alias("answer"))
        .join(places, on="van", how="inner", maintain_order="left")
    )
    answers = placed["answer"].to_list()
    said = [_say_scan(row, a) for row, a in zip(placed.iter_rows(named=True), answers, strict=True)]
    return placed.select(
        "van",
        pl.col("scanned_at").cast(pl.Datetime("ms")).alias("at"),
        "y",
        pl.Series("word", [ANSWER_WORDS[a] for a in answers], dtype=pl.String),
        pl.Series("size", [ANSWER_SIZES[a] for a in answers], dtype=pl.Int64),
        pl.Series("said", said, dtype=pl.String),
    )


def _clears(clears: pl.DataFrame, places: pl.DataFrame) -> pl.DataFrame:
    placed = clears.join(places, on="van", how="inner", maintain_order="left")
    said = [
        f"Van {clean_text(r['van'])} cleared {r['cleared_at']:%d %b %Y}" for r in placed.iter_rows(named=True)
    ]
    return placed.select(
        pl.col("cleared_at").cast(pl.Datetime("ms")).alias("at"),
        (pl.col("y") - 10).alias("top"),
        (pl.col("y") + 10).alias("bottom"),
        pl.Series("said", said, dtype=pl.String),
    )


def _labels(vans: pl.DataFrame, places: pl.DataFrame) -> pl.DataFrame:
    placed = places.join(vans, on="van", how="left", maintain_order="left")
    rows = [
        {
            "name": f"Van {clean_text(row['van'])} · {clean_text(row['cohort'])}",
            "figure": say_steadiness(row) if row["n_later_covered"] else "",
            "text_y": row["y"] - ROW_WORDS,
            "y": row["y"],
        }
        for row in placed.iter_rows(named=True)
    ]
    return pl.DataFrame(
        rows, schema={"name": pl.String, "figure": pl.String, "text_y": pl.Float64, "y": pl.Float64}
    )


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    x = alt.X("at:T", axis=alt.Axis(title=None, grid=True, tickCount=6, format="%b %Y", labelOverlap=True))
    y_scale = alt.Scale(domain=[0, 1], reverse=True, nice=False, zero=False)

    def height(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=None, scale=y_scale)

    labels, scans = alt.Chart(alt.NamedData("labels")), alt.Chart(alt.NamedData("scans"))
    clears = alt.Chart(alt.NamedData("clears"))
    words = [ANSWER_WORDS[a] for a in ANSWERS]
    legend = alt.Legend(
        title=None, orient="top", direction="horizontal", columns=2, symbolSize=80, labelLimit=220, offset=6
    )
    shape = alt.Shape(
        "word:N", scale=alt.Scale(domain=words, range=[ANSWER_SHAPES[a] for a in ANSWERS]), legend=legend
    )
    colour = alt.Color("word:N", scale=alt.Scale(domain=words, range=answer_colours(theme)), legend=legend)
    layers = [
        labels.mark_rule(color=theme.grid, x=0, x2={"expr": "width"}, aria=False, tooltip=None).encode(height("y")),
        *row_words(labels, theme, height("text_y"), name="name", figure="figure", room=214),
        clears.mark_rule(color=theme.chosen, strokeWidth=2).encode(
            x, height("top"), y2="bottom", description="said:N", tooltip=alt.Tooltip("said:N", title="Work")),
        scans.mark_point(filled=True, opacity=1, strokeWidth=1.6).encode(
            x, height("y"), shape, colour, size=mark_size(), description="said:N",
            tooltip=alt.Tooltip("said:N", title="Scan")),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_strips(
    code: Code,
    vans: pl.DataFrame,
    scans: pl.DataFrame,
    clears: pl.DataFrame,
    theme: Theme,
    most: int = MOST_VANS,
) -> Chart:
    """Draw what every scan says about one code, a strip per van that ever showed it.

    Parameters
    ----------
    code : Code
        Which code.
    vans : polars.DataFrame
        Rows of `list_code_vans`.
    scans : polars.DataFrame
        Rows of `list_code_scans`.
    clears : polars.DataFrame
        Rows of `list_code_clears`; a line on the van's strip each.
    theme : Theme
        Colours and font.
    most : int
        How many vans at most.
    """
    places = _place(choose_vans(vans, most))
    data = {
        "labels": _labels(vans, places),
        "scans": _scans(scans, places),
        "clears": _clears(clears, places),
    }
    spec = fill(build_template(theme.name), height=max(1, places.height) * ROW + 4, axis_title="")
    # Layers without data are left out: they would only make the browser complain of an endless axis.
    spec["layer"] = [layer for layer in spec["layer"] if data[layer["data"]["name"]].height]
    shown = (
        data["scans"].filter(pl.col("word").is_in([ANSWER_WORDS[PRESENT], ANSWER_WORDS[LOW_VOLTAGE]])).height
    )
    told = (
        f"{code.name}: shown on {shown} of {count_of(data['scans'].height, 'scan')} of "
        f"{count_of(places.height, 'van')}, {count_of(data['clears'].height, 'clearing')}."
    )
    return Chart(spec, data, f"Strips over time. {told}")
