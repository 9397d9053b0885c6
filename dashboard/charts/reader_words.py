"""What is said of readers: how two of them agree, what one can see, what would decide."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from dashboard.charts.shift_rows import grade, say_q, say_shift
from dashboard.charts.words import Reading, clean_text
from pipeline.compare.agreement import compare_pairs
from pipeline.compare.intervals import wilson
from pipeline.counted import count_of

NEVER_MET = "These two readers never met: scan two vans with both on one day, within 24 hours."
UNIT = (
    "Pairs of one van are not independent: each van counts once for the bias, and the spread between its pairs is"
    " added for the limits."
)
GROWS_P = 0.01  # the difference is said to grow with the value below this p-value


@dataclass(frozen=True)
class Agreement:
    """How two readers agree in one reading: bias, limits of agreement, their intervals; nan below two vans."""

    bias: float
    bias_low: float
    bias_high: float
    p: float
    lower: float
    lower_low: float
    lower_high: float
    upper: float
    upper_low: float
    upper_high: float
    slope: float
    slope_p: float
    n_vans: int
    n_pairs: int

    @property
    def is_known(self) -> bool:
        """Whether there are vans enough for a bias and limits."""
        return math.isfinite(self.bias)


def measure_agreement(pairs: pl.DataFrame, resolution: float | None) -> Agreement:
    """Compare two readers on their pairs (rows of `list_reader_pairs`); `resolution` is one step of the reading."""
    vans = pairs["van"].unique(maintain_order=True).to_list()
    found = compare_pairs(
        pairs["value"].to_numpy(),
        pairs["other_value"].to_numpy(),
        np.array([vans.index(v) for v in pairs["van"]], np.int64),
        np.zeros(pairs.height, np.int64),
        n_cells=1,
        resolution=None if resolution is None else [resolution],
    )
    names = Agreement.__dataclass_fields__
    return Agreement(**{name: getattr(found, name)[0].item() for name in names})


def say_agreement(
    agreed: Agreement, reading: Reading, readers: tuple[str, str], useful: float | None
) -> tuple[str, str]:
    """Say how two readers agree: the verdict, then the figures behind it."""
    reader, other = (clean_text(name) for name in readers)
    counts = f"{count_of(agreed.n_vans, 'van')}, {count_of(agreed.n_pairs, 'pair')} of scans within 24 hours"
    if not agreed.n_pairs:
        return NEVER_MET, ""
    if not agreed.is_known:
        return (
            f"Only one van was read by both in {reading.title}: no telling van from reader.",
            f"{counts}. Scan one more van with both on one day.",
        )
    more = "more" if agreed.bias > 0 else "less"
    is_sure = agreed.bias_low > 0 or agreed.bias_high < 0
    if is_sure:
        verdict = f"{reader} shows {reading.say(abs(agreed.bias))} {more} than {other} in {reading.title}."
        if useful and abs(agreed.bias) < 0.1 * useful:
            verdict += " Too little to matter."
    else:
        verdict = f"{reader} and {other} agree on average in {reading.title}, as far as these vans can tell."
    low, high = (reading.say(v, signed=True, unit=False) for v in (agreed.bias_low, agreed.bias_high))
    least, most = (reading.say(v, signed=True, unit=False) for v in (agreed.lower, agreed.upper))
    figures = (
        f"Bias {reading.say(agreed.bias, signed=True)} (95 % interval {low} to {high}); {counts}."
        f" One more pair would differ by {least} to {most} {reading.unit}, 19 times of 20."
    )
    if math.isfinite(agreed.slope_p) and agreed.slope_p < GROWS_P:
        figures += " The difference grows with the value: a factor rather than an amount."
    return verdict, figures


def say_bias(row: dict[str, Any], reading: Reading) -> str:
    """Say what all vans tell of a reader, also those read on different days."""
    kind = grade(row)
    reader, reference = clean_text(row["reader"]), clean_text(row["reference"])
    base = f"On all vans that both have read, {reader} less {reference}: {say_shift(row, reading)}, {count_of(row['n_vans'], 'van')}, {say_q(row['q'])}."
    if row["effect"]:
        return f"{base} It is taken off before vans are compared."
    return base if kind == "unsure" else f"{base} Not sure enough to be taken off."


def name_update(row: dict[str, Any]) -> str:
    """Name a reader's update: the reader, the software before and after, and since when."""
    return f"{row['reader']}, {row['version_before']} to {row['reader_version']}, {row['since']:%d %b %Y}"


def say_updated(rows: pl.DataFrame) -> str:
    """Say which readings stepped at one update (rows of `list_reader_updates`), or what it takes to tell."""
    judged = rows.filter(pl.col("p").is_not_null())
    if judged.is_empty():
        return f"Cannot be told: {rows['reason'][0]}. Read vans with it and with another reader, before and after."
    told = [
        f"{reading.title} {say_shift(row, reading)} on {count_of(row['n_vans'], 'van')}"
        for row in rows.filter("is_shown").iter_rows(named=True)
        for reading in [Reading.from_row(row)]
    ]
    if not told:
        return f"None of {count_of(judged.height, 'reading')} stepped at this update, as far as these vans can tell."
    return f"Since then: {'; '.join(told[:3])}. Taken off before vans are compared."


def count_meetings(readers: Iterable[str], meetings: pl.DataFrame) -> tuple[dict[tuple[str, str], int], int]:
    """Return the vans on which each two readers met (most of any reading), and how many twos never did."""
    names = sorted(readers)
    met = {
        (r, o): n
        for r, o, n in meetings.group_by("reader", "other_reader").agg(pl.col("n_vans").max()).iter_rows()
    }
    every = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    return {two: met.get(two, 0) for two in every}, sum(two not in met for two in every)


def say_seen(row: dict[str, Any]) -> str:
    """Say what a reader has shown of a parameter: scans, never, or one value on every van."""
    if not row["n_scans"]:
        return "✚ never shown"
    if row["value_least"] is not None:
        value = f"{row['value_least']:.6g} {row['unit'] if row['unit'] not in (None, '1') else ''}".strip()
        return f"■ always {value}"
    return f"● {count_of(row['n_scans'], 'scan')}"


def say_module(row: dict[str, Any]) -> str:
    """Say what a reader has seen of a van's control unit."""
    if row["n_answered"]:
        return f"● answered {row['n_answered']} of {row['n_scans']}"
    if row["n_silent"]:
        return f"■ silent, asked {row['n_silent']}"
    if row["n_not_asked"]:
        return "✚ not asked"
    return "✚ not said"


def say_limit(row: dict[str, Any]) -> tuple[str, str]:
    """Say a limit, and how many vans of the group stand outside it with the interval of the share."""
    reading = Reading.from_row(row)
    if row["low"] is not None and row["high"] is not None:
        limit = f"{reading.say(row['low'], unit=False)} to {reading.say(row['high'])}"
    elif row["high"] is not None:
        limit = f"at most {reading.say(row['high'])}"
    elif row["low"] is not None:
        limit = f"at least {reading.say(row['low'])}"
    else:
        limit = "its own marks"
    low, high = (round(100 * float(v)) for v in wilson(row["n_vans_outside"], row["n_vans"]))
    share = round(100 * row["n_vans_outside"] / row["n_vans"])
    return limit, f"{row['n_vans_outside']} of {count_of(row['n_vans'], 'van')}, {share} % ({low} to {high})"
