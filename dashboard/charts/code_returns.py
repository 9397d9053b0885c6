"""After clearing: the share of vans still without the code as days or kilometres go by, with its interval."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import numpy as np
import polars as pl

from dashboard.charts.code_names import Code
from dashboard.charts.frame import Chart, configure, fill
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import clean_text, format_number
from pipeline.compare.survival import Survival, kaplan_meier
from pipeline.counted import count_of

_HEIGHT = 200
_LEAST = 4  # vans below which a curve would pretend to know more than a list of cases
UNITS = {"days": "Days", "km": "Kilometres"}


def fit_returns(returns: pl.DataFrame, unit: str = "days") -> Survival:
    """Return the curve of `list_code_returns`: a return stands at the middle between two scans.

    `unit` is days or km; vans whose odometer is not known are left out of the latter.
    """
    known = returns.filter(pl.col(unit).is_not_null())
    return kaplan_meier(known[unit].to_numpy(), known["has_returned"].to_numpy())


def is_worth_a_curve(returns: pl.DataFrame, unit: str = "days") -> bool:
    """Say whether there are enough vans for a curve."""
    return returns[unit].count() >= _LEAST


def _say_case(row: dict[str, Any]) -> str:
    if not row["has_returned"]:
        return f"van {clean_text(row['van'])} not within {count_of(row['days_low'], 'day')}"
    km = ""
    if row["km_low"] is not None and row["km_high"] is not None:
        km = f" ({format_number(row['km_low'], 0)} to {format_number(row['km_high'], 0)} km)"
    return f"van {clean_text(row['van'])} between day {row['days_low']} and day {row['days_high']}{km}"


def say_returns(returns: pl.DataFrame) -> str:
    """Say how often and when the code came back after its first clearing, one record a van."""
    if returns.is_empty():
        return "It was never cleared after it had been seen, as far as the work list tells."
    curve = fit_returns(returns)
    back = f"It came back on {curve.n_events} of {count_of(curve.n, 'van')} after the first clearing"
    if not is_worth_a_curve(returns):
        return f"{back}: {', '.join(map(_say_case, returns.iter_rows(named=True)))}."
    if np.isnan(curve.median):
        longest = format_number(float(returns["days"].to_numpy().max()), 0)
        return f"{back}; fewer than half so far, watched for {longest} days at most."
    driven = fit_returns(returns, "km") if is_worth_a_curve(returns, "km") else None
    km = (
        f" or {format_number(driven.median, 0)} km"
        if driven is not None and np.isfinite(driven.median)
        else ""
    )
    return f"{back}; half were back within about {format_number(curve.median, 0)} days{km}."


def _steps(curve: Survival, end: float) -> pl.DataFrame:
    """Corners of the curve from the clearing to the end of watching."""
    at = np.concatenate([[0.0], curve.time, [end]])
    columns = [
        np.concatenate([[1.0], c, [c[-1] if c.size else 1.0]]) for c in (curve.share, curve.low, curve.high)
    ]
    share, low, high = (100 * c for c in columns)
    return pl.DataFrame({"at": at, "share": share, "low": low, "high": high})


def _cases(returns: pl.DataFrame, curve: Survival, unit: str) -> pl.DataFrame:
    """One mark per van, on the curve."""
    rows = []
    for row in returns.filter(pl.col(unit).is_not_null()).iter_rows(named=True):
        place = int(np.searchsorted(curve.time, row[unit], side="right"))
        rows.append(
            {
                "at": float(row[unit]),
                "share": 100.0 * (float(curve.share[place - 1]) if place else 1.0),
                "word": "Came back" if row["has_returned"] else "Still without it",
                "said": _say_case(row).capitalize(),
            }
        )
    return pl.DataFrame(
        rows, schema={"at": pl.Float64, "share": pl.Float64, "word": pl.String, "said": pl.String}
    )


@cache
def build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme."""
    theme: Theme = THEMES[theme_name]
    x = alt.X("at:Q", axis=alt.Axis(title="{axis}", tickCount=6), scale=alt.Scale(zero=True, nice=False))
    y_axis = alt.Axis(title="Vans still without it (%)", tickCount=4, titleAnchor="end", titleAngle=0, titleAlign="left",
                      titleY=-14, titleX=0)  # fmt: skip

    def height(field: str) -> alt.Y:
        return alt.Y(
            f"{field}:Q", axis=y_axis, scale=alt.Scale(zero=True, nice=False, domainMin=0, domainMax=100)
        )

    steps, cases = alt.Chart(alt.NamedData("steps")), alt.Chart(alt.NamedData("cases"))
    words = ["Came back", "Still without it"]
    legend = alt.Legend(
        title=None, orient="bottom", direction="horizontal", symbolSize=80, labelLimit=200, offset=6
    )
    shape = alt.Shape("word:N", scale=alt.Scale(domain=words, range=["square", "circle"]), legend=legend)
    colour = alt.Color(
        "word:N", scale=alt.Scale(domain=words, range=[theme.outside, theme.within]), legend=legend
    )
    hidden: dict[str, Any] = {"aria": False, "tooltip": None}
    layers = [
        steps.mark_area(color=theme.band, interpolate="step-after", **hidden).encode(x, height("low"), y2="high"),
        steps.mark_line(color=theme.text, interpolate="step-after", strokeWidth=1.5, **hidden).encode(x, height("share")),
        cases.mark_point(filled=True, size=64, opacity=1, stroke=theme.ground, strokeWidth=0.7).encode(
            x, height("share"), shape, colour, description="said:N", tooltip=alt.Tooltip("said:N", title="Van")),
    ]  # fmt: skip
    return configure(alt.layer(*layers), theme)


def draw_returns(code: Code, returns: pl.DataFrame, unit: str, theme: Theme) -> Chart:
    """Draw the share of vans still without the code after its first clearing (Kaplan-Meier).

    Parameters
    ----------
    code : Code
        Which code.
    returns : polars.DataFrame
        Rows of `list_code_returns`, at least one.
    unit : str
        days or km.
    theme : Theme
        Colours and font.
    """
    curve = fit_returns(returns, unit)
    end = max([1.0, *(v for v in returns[unit] if v is not None)])
    data = {"steps": _steps(curve, end), "cases": _cases(returns, curve, unit)}
    spec = fill(
        build_template(theme.name), height=_HEIGHT, axis_title=f"{UNITS[unit]} since the first clearing"
    )
    return Chart(spec, data, f"Return of {code.name} after clearing. {say_returns(returns)}")
