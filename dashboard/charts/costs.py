"""What each van costs over its distance, beside the span of its siblings; words for what is not recorded."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import Chart, configure, fill
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import clean_text, format_number, say_part
from pipeline.compare.rates import LEAST_COSTS, cost_interval, poisson_interval
from pipeline.counted import count_of

MOST_VANS = 24
_ROW = 24
_LEAST_SIBLINGS = 3
STANDS = (
    "Dearer than all siblings",
    "Within its siblings",
    "Cheaper than all siblings",
    "No siblings to compare",
)
_SHAPES = ("triangle-up", "circle", "triangle-down", "cross")


def stands(row: dict[str, Any]) -> str:
    """Say where a van's cost per 10,000 km lies among its siblings'."""
    if row["cost_per_10000_km"] is None or row["sibling_median"] is None:
        return STANDS[3]
    if row["cost_per_10000_km"] > row["sibling_high"]:
        return STANDS[0]
    return STANDS[2] if row["cost_per_10000_km"] < row["sibling_low"] else STANDS[1]


def say_cost(row: dict[str, Any]) -> str:
    """Say one van's costs with what is not recorded, its distance and its siblings; never one figure alone."""
    n = count_of(row["n_work"], "entry")
    period = f"{row['window_from']:%d %b %Y} to {row['window_to']:%d %b %Y}"
    if not row["n_work"]:
        return f"Van {clean_text(row['van'])}: no work on record from {period}. Not recorded is not the same as none."
    missing = row["n_work"] - row["n_costed"]
    cost = "no entry has a cost" if row["cost"] is None else f"{format_number(row['cost'], 0)} written down"
    unknown = f", cost not recorded on {missing} of {n}" if missing else ", cost recorded on every entry"
    text = f"Van {clean_text(row['van'])}, {period}: {cost}{unknown}."
    if row["km"] is None:
        return f"{text} No distance: fewer than two odometers to trust."
    text += f" It covered {format_number(row['km'], 0)} km."
    if row["cost_per_10000_km"] is None:
        why = "no cost is recorded" if row["cost_driven"] is None else "too short a distance"
        return f"{text} No cost per 10,000 km: {why}."
    text += f" {format_number(row['cost_per_10000_km'], 0)} per 10,000 km"
    if row["sibling_median"] is None:
        return f"{text}; {count_of(row['n_siblings'], 'sibling')} with such a figure, {_LEAST_SIBLINGS} are needed to compare."
    return (
        f"{text}; its {count_of(row['n_siblings'], 'sibling')} run from {format_number(row['sibling_low'], 0)} to"
        f" {format_number(row['sibling_high'], 0)}, median {format_number(row['sibling_median'], 0)}."
    )


def say_dearest(rows: list[dict[str, Any]]) -> str:
    """Say which van's cost lies furthest above its siblings', as a ratio of their median; it may be by chance."""
    known = [row for row in rows if row["sibling_median"]]
    if not known:
        return "No van has three siblings with a cost per 10,000 km, so none can be held against others."
    top = max(known, key=lambda row: row["cost_per_10000_km"] / row["sibling_median"])
    return (
        f"Furthest above its siblings: van {clean_text(top['van'])} with {format_number(top['cost_per_10000_km'], 0)} per"
        f" 10,000 km in {count_of(top['n_costed_driven'], 'entry')}; its {count_of(top['n_siblings'], 'sibling')} run from"
        f" {format_number(top['sibling_low'], 0)} to {format_number(top['sibling_high'], 0)}, median"
        f" {format_number(top['sibling_median'], 0)}. In any group one van is the dearest."
    )


def say_days(row: dict[str, Any]) -> str:
    """Say how long a van stood for work beside its siblings."""
    if row["days_standing"] is None:
        return "Days standing: not recorded."
    text = (
        f"It stood {format_number(row['days_standing'], 1)} days, recorded on {row['n_standing']} of"
        f" {count_of(row['n_work'], 'entry')}"
    )
    if row["days_per_10000_km"] is None:
        return f"{text}."
    text += f": {format_number(row['days_per_10000_km'], 2)} per 10,000 km"
    if row["sibling_days"] is None:
        return f"{text}; too few siblings with such a figure to compare."
    return (
        f"{text}; siblings run from {format_number(row['sibling_days_low'], 2)} to"
        f" {format_number(row['sibling_days_high'], 2)}, median {format_number(row['sibling_days'], 2)}."
    )


def say_intervals(row: dict[str, Any], costs: list[float]) -> str:
    """Say how well the van's rates are known, few entries as they are."""
    if row["km"] is None or row["work_per_10000_km"] is None:
        return "No rate per 10,000 km, so no interval."
    low, high = poisson_interval(row["n_work_driven"], row["km"] / 10000)
    text = (
        f"Entries per 10,000 km: {format_number(row['work_per_10000_km'], 1)} (95 % interval"
        f" {format_number(float(low), 1)} to {format_number(float(high), 1)})."
    )
    found = cost_interval(costs, row["km"] / 10000)
    if found is None:
        return f"{text} Cost per 10,000 km: no interval, fewer than {LEAST_COSTS} entries with a cost."
    return (
        f"{text} Cost per 10,000 km: 95 % interval {format_number(found[0], 0)} to {format_number(found[1], 0)}, as"
        f" well as {count_of(len(costs), 'entry')} with a cost can tell."
    )


def say_next(row: dict[str, Any], entries: list[dict[str, Any]]) -> str:
    """Say what to do next about one van: find what was not written down, then look at the dearest entry."""
    known = [entry for entry in entries if entry["cost"] is not None]
    missing = len(entries) - len(known)
    others = f"{missing} other entries" if missing > 1 else "other entry"
    asked = f"Find out what the {others} cost. " if missing and known else ""
    if not known:
        return "Write down what each job cost and how long the van stood for it."
    if stands(row) != STANDS[0]:
        return f"{asked}Nothing here tells it from its siblings by cost alone."
    top = max(known, key=lambda entry: entry["cost"])
    share = 100 * top["cost"] / sum(entry["cost"] for entry in known)
    return (
        f"{asked}Look at the dearest entry first: {say_part(top['what'], top['part'])} on"
        f" {top['worked_at']:%d %b %Y}, {format_number(top['cost'], 0)}, {share:.0f} % of what is written down. Ask"
        " whether it held before more is spent."
    )


def choose_rows(costs: pl.DataFrame, van: str | None) -> pl.DataFrame:
    """Return the vans that are drawn: those with a rate, furthest above their siblings first, the chosen one kept."""
    known = costs.filter(pl.col("cost_per_10000_km").is_not_null())
    drawn = known.head(MOST_VANS)
    own = known.filter(pl.col("van") == pl.lit(van)) if van is not None else known.head(0)
    if own.height and van not in drawn["van"]:
        drawn = pl.concat([drawn.head(MOST_VANS - 1), own])
    return drawn


def _marks(rows: pl.DataFrame, van: str | None) -> pl.DataFrame:
    """The columns a mark needs, with the words a reader hears for it."""
    listed = rows.to_dicts()
    chosen = "chosen: "
    return pl.DataFrame(
        {
            "van": [r["van"] for r in listed],
            "name": [f"{chosen if r['van'] == van else ''}{clean_text(r['van'])}" for r in listed],
            "cost": [r["cost_per_10000_km"] for r in listed],
            "low": [r["sibling_low"] for r in listed],
            "high": [r["sibling_high"] for r in listed],
            "middle": [r["sibling_median"] for r in listed],
            "stands": [stands(r) for r in listed],
            "said": [say_cost(r) for r in listed],
        },
        schema_overrides=dict.fromkeys(("cost", "low", "high", "middle"), pl.Float64),
    )


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    x_axis = alt.Axis(title="{axis}", tickCount=5)

    def across(field: str) -> alt.X:
        return alt.X(f"{field}:Q", axis=x_axis, scale=alt.Scale(zero=True))

    down = alt.Y("name:N", sort=None, axis=alt.Axis(title=None, labelLimit=120, grid=False))
    vans = alt.Chart(alt.NamedData("vans"))
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    legend = alt.Legend(title=None, orient="bottom", direction="horizontal", columns=2, symbolSize=80, offset=8,
                        labelLimit=220)  # fmt: skip
    shape = alt.Shape("stands:N", scale=alt.Scale(domain=list(STANDS), range=list(_SHAPES)), legend=legend)
    colour = alt.Color(
        "stands:N",
        scale=alt.Scale(
            domain=list(STANDS), range=[theme.outside, theme.within, theme.chosen, theme.unjudged]
        ),
        legend=legend,
    )
    layers = [
        vans.mark_bar(color=theme.band, size=16, **hidden).encode(across("low"), down, x2="high"),
        vans.mark_tick(color=theme.text, size=16, thickness=1.5, **hidden).encode(across("middle"), down),
        vans.mark_point(filled=True, opacity=1, size=110).encode(
            across("cost"), down, shape, colour, description="said:N", tooltip=alt.Tooltip("said:N", title="Van")),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_costs(costs: pl.DataFrame, van: str | None, theme: Theme) -> Chart:
    """Draw cost per 10,000 km of each van beside the span of its siblings.

    Parameters
    ----------
    costs : polars.DataFrame
        As `list_van_costs` gives them, at least one with a cost per 10,000 km.
    van : str, optional
        The chosen van, named as such.
    theme : Theme
        Colours and font.
    """
    rows = choose_rows(costs, van)
    marks = _marks(rows, van)
    spec = fill(
        build_template(theme.name),
        height=max(2, marks.height) * _ROW,
        axis_title="Cost per 10,000 km (fleet's currency)",
    )
    dearer = int((marks["stands"] == STANDS[0]).sum())
    alt_text = (
        f"Cost per 10,000 km of {count_of(marks.height, 'van')} beside their siblings: {dearer or 'none'} dearer than"
        " all siblings. Shaded: from the cheapest to the dearest sibling; line: their median."
    )
    return Chart(spec, {"vans": marks}, alt_text)
