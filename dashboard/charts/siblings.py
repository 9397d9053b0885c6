"""One reading across siblings: a strip per cohort, its sibling range, a mark per van."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import Chart, configure, fill, mark_size, span, verdict_encodings
from dashboard.charts.palette import GLYPHS, SIZES, THEMES, WORDS, Theme
from dashboard.charts.words import Reading, clean_text, say_verdict
from pipeline.counted import count_of

MOST_COHORTS = 12
_HEADER, _STRIP, _GAP = 24, 48, 20
_LEVELS = (0, 1, -1, 2, -2, 3, -3)
_LEVEL_STEP = 6.5
_DOT_SHARE = 0.024  # width of a mark as a share of the value axis, on a chart about 500 px wide


def say_outside(cells: pl.DataFrame) -> str:
    """Count the vans outside their siblings of those that can be judged."""
    judged = cells.filter(pl.col("verdict") != "not_judged").height
    if not judged:
        return "No van can be judged here yet: too few scans or siblings."
    outside = cells.filter(pl.col("verdict").is_in(["above", "below"])).height
    return f"{outside or 'None'} of {count_of(judged, 'van')} outside {'its' if judged == 1 else 'their'} siblings."


def choose_cohorts(cells: pl.DataFrame, van: str | None) -> list[str]:
    """Return the cohorts to draw, the chosen van's first; where they are too many, those with most vans outside."""
    ranked = (
        cells.group_by("cohort_id", "cohort")
        .agg(
            pl.col("verdict").is_in(["above", "below"]).sum().alias("n_outside"),
            (pl.col("van") == pl.lit(van)).fill_null(False).any().alias("has_chosen"),
        )
        .sort(["has_chosen", "n_outside", "cohort"], descending=[True, True, False])
        .head(MOST_COHORTS)
        .sort(["has_chosen", "cohort", "cohort_id"], descending=[True, False, False])
    )
    return ranked["cohort_id"].to_list()


def _dodge(values: list[float], width: float) -> list[float]:
    """Stack marks that would cover one another: the first free level from the middle outwards, in px."""
    last = dict.fromkeys(_LEVELS, float("-inf"))
    offsets = []
    for value in values:
        level = next((k for k in _LEVELS if value - last[k] >= width), min(last, key=lambda k: last[k]))
        last[level] = value
        offsets.append(level * _LEVEL_STEP)
    return offsets


def _place(cells: pl.DataFrame, cohorts: list[str], width: float) -> pl.DataFrame:
    """Give every mark its height in px, cohort by cohort; `width` is that of a mark on the value axis."""
    row_px = _HEADER + _STRIP + _GAP
    parts = []
    for number, cohort in enumerate(cohorts):
        part = cells.filter(pl.col("cohort_id") == cohort).sort("value", "van")
        middle = number * row_px + _HEADER + _STRIP / 2
        offsets = _dodge(part["value"].to_list(), width)
        parts.append(part.with_columns(pl.Series("y", [middle + o for o in offsets], dtype=pl.Float64)))
    return pl.concat(parts) if parts else cells.head(0).with_columns(pl.lit(0.0).alias("y"))


def _say_note(row: dict[str, Any]) -> str:
    """Say why a cohort has no range, or that its range is borrowed from other model years."""
    if row["sibling_low"] is None:
        return f"No range: {clean_text(row['reason'])}"
    return "Too few siblings: compared with all model years" if row["is_fallback"] else ""


def _bands(
    ranges: pl.DataFrame, cohorts: list[str], shown: dict[str, int], own: dict[str, Any] | None
) -> pl.DataFrame:
    """One row per cohort drawn: header, range and where it lies; the chosen van's range is its own."""
    row_px = _HEADER + _STRIP + _GAP
    by_cohort = {row["cohort_id"]: row for row in ranges.iter_rows(named=True)}
    rows = []
    for number, cohort in enumerate(cohorts):
        row = by_cohort[cohort]
        if own is not None and own["cohort_id"] == cohort and own["sibling_low"] is not None:
            row = row | {k: own[k] for k in ("sibling_low", "sibling_median", "sibling_high", "is_fallback")}
        hidden = f", {shown[cohort]} shown" if shown[cohort] < row["n_vans"] else ""
        top = float(number * row_px + _HEADER)
        rows.append(
            {
                "header": f"{clean_text(row['cohort'])}  ·  {count_of(row['n_vans'], 'van')}{hidden}, "
                + count_of(row["n_scans"], "scan"),
                "low": row["sibling_low"],
                "median": row["sibling_median"],
                "high": row["sibling_high"],
                "note": _say_note(row),
                "header_y": top - 11,
                "top": top,
                "bottom": top + _STRIP,
                "note_y": top + _STRIP - 1,
            }
        )
    numbers = ("low", "median", "high", "header_y", "top", "bottom", "note_y")
    schema: dict[str, Any] = dict.fromkeys(numbers, pl.Float64)
    return pl.DataFrame(rows, schema={"header": pl.String, "note": pl.String} | schema)


def _marks(placed: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """The columns a mark needs, with the words a reader hears for it."""
    rows = [
        {
            "van": row["van"],
            "name": clean_text(row["van"]),
            "value": row["value"],
            "y": row["y"],
            "word": WORDS[row["verdict"]],
            "size": SIZES[row["verdict"]],
            "said": f"{say_verdict(row, reading)} {reading.say(row['value'])}",
            "scans": row["n_scans"],
            "siblings": row["n_siblings"],
        }
        for row in placed.iter_rows(named=True)
    ]
    return pl.DataFrame(
        rows,
        schema={
            "van": pl.String, "name": pl.String, "value": pl.Float64, "y": pl.Float64, "word": pl.String,
            "size": pl.Int64, "said": pl.String, "scans": pl.Int64, "siblings": pl.Int64,
        },
    )  # fmt: skip


def _chosen(
    placed: pl.DataFrame, van: str | None, domain: tuple[float, float]
) -> tuple[pl.DataFrame, dict[str, Any] | None]:
    """The ring, name and interval of the chosen van: one row or none."""
    schema = {"van": pl.String, "name": pl.String, "value": pl.Float64, "y": pl.Float64, "low": pl.Float64,
              "high": pl.Float64, "side": pl.String}  # fmt: skip
    found = placed.filter(pl.col("van") == pl.lit(van)) if van is not None else placed.head(0)
    if found.is_empty():
        return pl.DataFrame(schema=schema), None
    row = found.row(0, named=True)
    share = (row["value"] - domain[0]) / (domain[1] - domain[0])
    expected = row["expected"]
    judged = expected is not None and row["interval_low"] is not None
    mark = {
        "van": van,
        "name": f"Van {clean_text(van)}",
        "value": row["value"],
        "y": row["y"],
        "low": expected + row["interval_low"] if judged else row["value"],
        "high": expected + row["interval_high"] if judged else row["value"],
        "side": "left" if share < 0.15 else "right" if share > 0.85 else "center",
    }
    return pl.DataFrame([mark], schema=schema), row


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme; only data, height and titles change afterwards."""
    theme: Theme = THEMES[theme_name]
    x_axis = alt.Axis(title="{axis}", tickCount=7, labelOverlap=True)
    x_scale = alt.Scale(domain=[0, 1], zero=False, nice=False)
    y_scale = alt.Scale(domain=[0, 1], reverse=True, nice=False, zero=False)

    def at(field: str) -> alt.X:
        return alt.X(f"{field}:Q", axis=x_axis, scale=x_scale)

    def height(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=None, scale=y_scale)

    bands = alt.Chart(alt.NamedData("bands"))
    vans = alt.Chart(alt.NamedData("vans"))
    chosen = alt.Chart(alt.NamedData("chosen"))
    shape, colour = verdict_encodings()
    pick = alt.selection_point(name="pick", fields=["van"], toggle=False, clear=False)
    told = [
        alt.Tooltip("said:N", title="Van"),
        alt.Tooltip("scans:Q", title="Scans"),
        alt.Tooltip("siblings:Q", title="Siblings"),
    ]
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    layers = [
        bands.mark_rect(color=theme.band, **hidden).encode(at("low"), height("top"), x2="high", y2="bottom"),
        bands.mark_rule(color=theme.edge, **hidden).encode(at("low"), height("top"), y2="bottom"),
        bands.mark_rule(color=theme.edge, **hidden).encode(at("high"), height("top"), y2="bottom"),
        bands.mark_rule(color=theme.text, strokeDash=[4, 3], **hidden).encode(at("median"), height("top"), y2="bottom"),
        bands.mark_text(align="left", baseline="middle", fontWeight="bold", fontSize=13, color=theme.text,
                        x=0, limit={"expr": "width"}, aria=False).encode(height("header_y"), text="header:N"),
        bands.mark_text(align="left", baseline="top", fontStyle="italic", fontSize=11.5, color=theme.faint, x=0,
                        limit={"expr": "width"}, aria=False).encode(height("note_y"), text="note:N"),
        chosen.mark_rule(color=theme.chosen, strokeWidth=2.5, **hidden).encode(at("low"), height("y"), x2="high"),
        chosen.mark_point(shape="circle", filled=False, size=330, color=theme.chosen, strokeWidth=2.5, opacity=1,
                          **hidden).encode(at("value"), height("y")),
        chosen.mark_text(dy=-19, fontWeight="bold", fontSize=13, color=theme.chosen, limit=220, aria=False,
                         align={"expr": "datum.side"}).encode(at("value"), height("y"), text="name:N"),
        # A finger needs more room than a mark has, but a click on a mark means that mark and no neighbour:
        # so the large invisible ones lie below the marks. The pick is heard from every mark that names a van.
        vans.mark_point(filled=True, size=420, opacity=0.001, color=theme.ground, cursor="pointer", aria=False)
        .encode(at("value"), height("y"), tooltip=told),
        vans.mark_point(filled=True, opacity=1, stroke=theme.ground, strokeWidth=0.7, cursor="pointer").encode(
            at("value"), height("y"), shape, colour, size=mark_size(), description="said:N", tooltip=told,
        ).add_params(pick),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_siblings(
    cells: pl.DataFrame, ranges: pl.DataFrame, reading: Reading, van: str | None, theme: Theme
) -> Chart:
    """Draw one reading across siblings.

    Parameters
    ----------
    cells : polars.DataFrame
        One row per shown van, as `list_sibling_cells` gives it; values in the reading's unit.
    ranges : polars.DataFrame
        One row per cohort, as `list_cohort_ranges` gives it.
    reading : Reading
        What is read.
    van : str, optional
        The chosen van: ringed and named, its cohort's band being the range of its own siblings.
    theme : Theme
        Colours and font.
    """
    cohorts = choose_cohorts(cells, van)
    drawn = cells.filter(pl.col("cohort_id").is_in(cohorts))
    drawn_ranges = ranges.filter(pl.col("cohort_id").is_in(cohorts))
    ends = [drawn["value"], drawn_ranges["sibling_low"], drawn_ranges["sibling_high"]]
    domain = span(value for column in ends for value in column)
    placed = _place(drawn, cohorts, (domain[1] - domain[0]) * _DOT_SHARE)
    chosen, own = _chosen(placed, van, domain)
    if own is not None:
        domain = span(
            [*domain, own["sibling_low"], own["sibling_high"], *chosen["low"], *chosen["high"]], padding=0
        )
    shown = dict(placed.group_by("cohort_id").len().iter_rows())
    data = {
        "bands": _bands(ranges, cohorts, shown, own),
        "vans": _marks(placed, reading),
        "chosen": chosen,
    }
    height = len(cohorts) * (_HEADER + _STRIP + _GAP) + 8
    spec = fill(build_template(theme.name), height=height, axis_title=reading.axis, x_domain=domain)
    counts = dict(cells.group_by("verdict").len().iter_rows())
    told = ", ".join(f"{counts[v]} {WORDS[v].lower()} {GLYPHS[v]}" for v in WORDS if v in counts)
    alt_text = f"Strip plot of {reading.title}: {count_of(cells.height, 'van')}, {told}."
    if own is not None:
        alt_text += f" Chosen: {say_verdict(own, reading)}"
    return Chart(spec, data, alt_text)
