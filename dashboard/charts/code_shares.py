"""How common codes are: for each code and group of siblings, the share of vans that have it, with its interval."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.code_names import (
    SHARE_SHAPES,
    SHARE_TIERS,
    SHARE_WORDS,
    Code,
    say_share,
    share_colours,
)
from dashboard.charts.frame import ROW_WORDS, Chart, configure, fill, mark_size, row_words
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import clean_text
from pipeline.counted import count_of

MOST_ROWS = 12
_ROW = 58
AXIS = "Vans of the group that have the code (%)"


def choose_rows(shares: pl.DataFrame) -> pl.DataFrame:
    """Return the rows to draw: those with at least one van, the surest first."""
    order = pl.col("tier").replace_strict({"finding": 0, "likely": 1}, default=2, return_dtype=pl.Int64)
    kept = shares.filter((pl.col("n_vans") > 0) & (pl.col("n_vans_with") > 0))
    return kept.sort(
        order, "share_low", "n_vans_with", "code", "cohort", descending=[False, True, True, False, False]
    ).head(MOST_ROWS)


def _rows(shares: pl.DataFrame, chosen: Code | None) -> pl.DataFrame:
    rows = []
    for number, row in enumerate(shares.iter_rows(named=True)):
        code = Code.from_row(row)
        tier = row["tier"] if row["tier"] in SHARE_TIERS else "other"
        y = number * _ROW + 38.0
        unknown = f"; {row['n_vans_unknown']} not known" if row["n_vans_unknown"] else ""
        rows.append(
            {
                "cell": f"{code.module}/{code.code}",
                "label": f"{code.short} · {clean_text(row['cohort'])}",
                "figure": f"{row['n_vans_with']} of {count_of(row['n_vans'], 'van')}{unknown}",
                "said": f"{code.name}. {clean_text(row['cohort'])}: {say_share(row)}{unknown}.",
                "word": SHARE_WORDS[tier],
                "size": 110 if tier != "other" else 72,
                "weight": "bold" if chosen is not None and (code.module, code.code) == (chosen.module, chosen.code) else "normal",
                "at": 100 * row["share"],
                "from": 100 * row["share_low"],
                "to": 100 * row["share_high"],
                "y": y,
                "text_y": y - ROW_WORDS,
            }
        )  # fmt: skip
    words = ("cell", "label", "figure", "said", "word", "weight")
    numbers = ("at", "from", "to", "y", "text_y")
    schema: dict[str, Any] = dict.fromkeys(words, pl.String) | {"size": pl.Int64}
    return pl.DataFrame(rows, schema=schema | dict.fromkeys(numbers, pl.Float64))


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    y_scale = alt.Scale(domain=[0, 1], reverse=True, nice=False, zero=False)
    x_scale = alt.Scale(domain=[0, 100], zero=True, nice=False)
    x_axis = alt.Axis(title="{axis}", tickCount=5, grid=True)

    def at(field: str) -> alt.X:
        return alt.X(f"{field}:Q", axis=x_axis, scale=x_scale)

    def height(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=None, scale=y_scale)

    rows = alt.Chart(alt.NamedData("rows"))
    words = [SHARE_WORDS[t] for t in SHARE_TIERS]
    legend = alt.Legend(
        title=None, orient="top", direction="horizontal", columns=2, symbolSize=90, labelLimit=220, offset=6
    )
    shape = alt.Shape(
        "word:N", scale=alt.Scale(domain=words, range=[SHARE_SHAPES[t] for t in SHARE_TIERS]), legend=legend
    )
    colour = alt.Color("word:N", scale=alt.Scale(domain=words, range=share_colours(theme)), legend=legend)
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    layers = [
        *row_words(rows, theme, height("text_y"), name="label", figure="figure", room=170, weight="datum.weight"),
        rows.mark_rule(color=theme.edge, strokeWidth=2.5, **hidden).encode(at("from"), height("y"), x2="to"),
        rows.mark_point(filled=True, opacity=1, stroke=theme.ground, strokeWidth=0.7).encode(
            at("at"), height("y"), shape, colour, size=mark_size(), description="said:N"),
        rows.mark_point(filled=True, size=420, opacity=0.001, color=theme.ground, cursor="pointer", aria=False)
        .encode(at("at"), height("y"), tooltip=[alt.Tooltip("said:N", title="Code")])
        .add_params(alt.selection_point(name="pick", fields=["cell"], toggle=False, clear=False)),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_shares(shares: pl.DataFrame, chosen: Code | None, theme: Theme) -> Chart:
    """Draw the share of vans that have each code, group by group.

    Parameters
    ----------
    shares : polars.DataFrame
        Rows of `list_code_cohorts`; those without a van that has the code are left out.
    chosen : Code, optional
        Its rows are written in bold.
    theme : Theme
        Colours and font.
    """
    drawn = choose_rows(shares)
    rows = _rows(drawn, chosen)
    spec = fill(
        build_template(theme.name), height=max(1, rows.height) * _ROW + 6, axis_title=AXIS, x_domain=(0, 100)
    )
    counts = dict(rows.group_by("word").len().iter_rows())
    told = ", ".join(f"{counts[w]} {w.lower()}" for w in SHARE_WORDS.values() if w in counts)
    first = f" First: {rows['said'][0]}" if rows.height else ""
    return Chart(
        spec, {"rows": rows}, f"Share of vans that have a code, by code and group: {told or 'none'}.{first}"
    )
