"""One reading at the two levels of an exposure: a pair of lanes per group of siblings, a mark per van."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.exposure_words import Contrast
from dashboard.charts.frame import Chart, configure, fill, row_words, span
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import Reading, clean_text
from pipeline.counted import count_of

MOST_COHORTS = 8
_HEADER, _LANE, _GAP = 40, 20, 12
_OFFSETS = (0.0, -4.5, 4.5)
WORDS = {True: "first", False: "other"}
SHAPES = {"first": "diamond", "other": "circle"}


def choose_cohorts(vans: pl.DataFrame, most: int = MOST_COHORTS) -> list[str]:
    """Return the groups to draw: those with most vans on their thinner side."""
    sides = (
        vans.group_by("cohort_id", "cohort")
        .agg(
            pl.col("is_exposed").sum().alias("n"),
            (~pl.col("is_exposed")).sum().alias("n_other"),
        )
        .with_columns(least=pl.min_horizontal("n", "n_other"))
    )
    kept = sides.sort(["least", "n", "cohort"], descending=[True, True, False]).head(most)
    return kept.sort("cohort", "cohort_id")["cohort_id"].to_list()


def _headers(vans: pl.DataFrame, cohorts: list[str], contrast: Contrast, reading: Reading) -> pl.DataFrame:
    rows = []
    for number, cohort in enumerate(cohorts):
        mine = vans.filter(pl.col("cohort_id") == cohort)
        n = int(mine["is_exposed"].sum())
        shift = mine["median_shift"].drop_nulls()
        moved = f": {reading.say(shift[0], signed=True)}" if len(shift) else ""
        rows.append(
            {
                "header": clean_text(mine["cohort"][0]),
                "figure": f"{n} {contrast.name}, {mine.height - n} {contrast.other_name}{moved}",
                "y": number * _row_px() + 10.0,
            }
        )
    return pl.DataFrame(rows, schema={"header": pl.String, "figure": pl.String, "y": pl.Float64})


def _row_px() -> int:
    return _HEADER + 2 * _LANE + _GAP


def _place(vans: pl.DataFrame, cohorts: list[str]) -> pl.DataFrame:
    """Give every mark its height: the level's lane above, the other's below, neighbours moved apart a little."""
    number = {cohort: place for place, cohort in enumerate(cohorts)}
    placed = vans.filter(pl.col("cohort_id").is_in(cohorts)).sort("cohort", "is_exposed", "value", "van")
    seen: dict[tuple[str, bool], int] = {}
    y = []
    for cohort, is_exposed in placed.select("cohort_id", "is_exposed").iter_rows():
        nth = seen[cohort, is_exposed] = seen.get((cohort, is_exposed), -1) + 1
        lane = _HEADER + (0.5 if is_exposed else 1.5) * _LANE
        y.append(number[cohort] * _row_px() + lane + _OFFSETS[nth % 3])
    return placed.with_columns(pl.Series("y", y, dtype=pl.Float64))


def _marks(placed: pl.DataFrame, contrast: Contrast, reading: Reading) -> pl.DataFrame:
    names = {True: contrast.name, False: contrast.other_name}
    rows = [
        {
            "van": clean_text(row["van"]),
            "value": row["value"],
            "y": row["y"],
            "word": WORDS[row["is_exposed"]],
            "said": f"Van {clean_text(row['van'])}, {names[row['is_exposed']]}: {reading.say(row['value'])},"
            f" {count_of(row['n_scans'], 'scan')}" + (", seen both ways" if row["is_both"] else ""),
        }
        for row in placed.iter_rows(named=True)
    ]
    return pl.DataFrame(
        rows,
        schema={"van": pl.String, "value": pl.Float64, "y": pl.Float64, "word": pl.String, "said": pl.String},
    )


def _medians(placed: pl.DataFrame, cohorts: list[str]) -> pl.DataFrame:
    number = pl.DataFrame({"cohort_id": cohorts, "number": range(len(cohorts))}, schema={"cohort_id": pl.String, "number": pl.Int64})  # fmt: skip
    lane = _HEADER + pl.when(pl.col("is_exposed")).then(0.5).otherwise(1.5) * _LANE
    middle = placed.group_by("cohort_id", "is_exposed", maintain_order=True).agg(pl.col("value").median())
    return middle.join(number, on="cohort_id", maintain_order="left").select(
        "value",
        (pl.col("number") * _row_px() + lane - _LANE / 2).alias("top"),
        (pl.col("number") * _row_px() + lane + _LANE / 2).alias("bottom"),
    )


def _links(placed: pl.DataFrame) -> pl.DataFrame:
    """Lines between the two marks of a van seen both ways."""
    both = placed.filter("is_both")
    first, other = both.filter("is_exposed"), both.filter(~pl.col("is_exposed"))
    return first.join(other, on=["van", "cohort_id"], suffix="_other", maintain_order="left").select(
        "value", "y", "value_other", "y_other"
    )


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme; the legend's two words are swapped in."""
    theme: Theme = THEMES[theme_name]
    x_axis = alt.Axis(title="{axis}", tickCount=7, labelOverlap=True)
    x_scale = alt.Scale(domain=[0, 1], zero=False, nice=False)
    y_scale = alt.Scale(domain=[0, 1], reverse=True, nice=False, zero=False)

    def at(field: str) -> alt.X:
        return alt.X(f"{field}:Q", axis=x_axis, scale=x_scale)

    def height(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=None, scale=y_scale)

    legend = alt.Legend(
        title=None, orient="top", direction="horizontal", columns=2, symbolSize=90, labelLimit=220, offset=6,
        labelExpr="datum.label",
    )  # fmt: skip
    words = list(SHAPES)
    shape = alt.Shape("word:N", scale=alt.Scale(domain=words, range=list(SHAPES.values())), legend=legend)
    colour = alt.Color(
        "word:N", scale=alt.Scale(domain=words, range=[theme.chosen, theme.within]), legend=legend
    )
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    headers, vans = alt.Chart(alt.NamedData("headers")), alt.Chart(alt.NamedData("vans"))
    layers = [
        *row_words(headers, theme, height("y"), name="header", figure="figure", room=250, weight="'bold'"),
        alt.Chart(alt.NamedData("links")).mark_rule(color=theme.edge, strokeWidth=1.2, **hidden)
        .encode(at("value"), height("y"), x2="value_other", y2="y_other"),
        alt.Chart(alt.NamedData("medians")).mark_rule(color=theme.text, strokeWidth=2.5, **hidden)
        .encode(at("value"), height("top"), y2="bottom"),
        vans.mark_point(filled=True, opacity=1, size=80, stroke=theme.ground, strokeWidth=0.7)
        .encode(at("value"), height("y"), shape, colour, description="said:N",
                tooltip=[alt.Tooltip("said:N", title="Van")]),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_exposure(
    vans: pl.DataFrame, contrast: Contrast, reading: Reading, theme: Theme, most: int = MOST_COHORTS
) -> Chart:
    """Draw one reading at both levels of an exposure, group by group.

    Parameters
    ----------
    vans : polars.DataFrame
        Rows of `list_exposure_vans`; values in the reading's unit.
    contrast : Contrast
        The levels compared.
    reading : Reading
        What is read.
    theme : Theme
        Colours and font.
    most : int
        How many groups at most.
    """
    cohorts = choose_cohorts(vans, most)
    placed = _place(vans, cohorts)
    data = {
        "headers": _headers(vans, cohorts, contrast, reading),
        "links": _links(placed),
        "medians": _medians(placed, cohorts),
        "vans": _marks(placed, contrast, reading),
    }
    spec = fill(
        build_template(theme.name),
        height=max(1, len(cohorts)) * _row_px() + 4,
        axis_title=reading.axis.replace("mean of each van's scans", "mean of each van's scans at that level"),
        x_domain=span(placed["value"]),
    )
    said = {"first": f"{contrast.what} {contrast.name}", "other": f"{contrast.what} {contrast.other_name}"}
    names = ", ".join(f"{k!r}: {_quoted(v)}" for k, v in said.items())
    for layer in spec["layer"]:
        for channel in ("shape", "color"):
            legend = layer.get("encoding", {}).get(channel, {}).get("legend")
            if legend:
                legend["labelExpr"] = f"({{{names}}})[datum.label]"
    n_both = placed.filter("is_both")["van"].n_unique()
    alt_text = (
        f"{reading.title} by {contrast.what}: {count_of(placed['van'].n_unique(), 'van')} in"
        f" {count_of(len(cohorts), 'group')}, {int(placed['is_exposed'].sum())} {contrast.name},"
        f" {int((~placed['is_exposed']).sum())} {contrast.other_name}, {n_both} seen both ways."
    )
    return Chart(spec, data, alt_text)


def _quoted(text: str) -> str:
    """Return a text as a string of Vega's expression language, with nothing left that could end it."""
    safe = text.replace("\\", " ").replace("'", "’")
    return f"'{safe}'"
