"""What physics says of a reading, in words: read, expected, whether siblings agree, what is doubted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from dashboard.charts.words import Reading, clean_text, format_number
from pipeline.compare.distributions import t_quantile
from pipeline.compare.limits import spread_of_siblings
from pipeline.compare.plausibility import Ratio, RatioMatch, flow_ratios, match_ratio
from pipeline.counted import count_of
from pipeline.vocabulary import physics

AIR = ("air_mass_per_stroke", "air_mass_flow")
SUSPECT_SHARE = 0.7  # of a group outside a limit: the limit is doubted; as the build has it


@dataclass(frozen=True)
class Group:
    """One group of siblings in one reading: departures from what is expected, van by van.

    Parameters
    ----------
    low, middle, high : float
        Mean departure over vans with its 95 % interval; ends nan below two vans.
    least, most : float
        Bounds within which a departure is plausible.
    within, percent : float
        Four of five siblings lie within so much of their middle, in the unit and in per cent (nan where it makes
        no sense).
    """

    cohort: str
    relation: str
    says: str
    measured: float
    expected: float
    middle: float
    low: float
    high: float
    least: float
    most: float
    n_vans: int
    n_plausible: int
    n_scans: int
    n_within: int
    within: float
    percent: float
    cylinders: float | None
    engine_speed_rpm: float | None

    @property
    def is_plausible(self) -> bool:
        """Whether the vans' mean departure lies within the bounds."""
        return self.least <= self.middle <= self.most


def gather(vans: pl.DataFrame) -> Group:
    """Sum up one group's rows of `list_expected_vans`; the van is the unit."""
    first = vans.row(0, named=True)
    departure = vans["departure"].to_numpy()
    n = len(departure)
    reach = math.nan
    if n >= 2:
        reach = float(t_quantile(0.975, n - 1) * departure.std(ddof=1) / math.sqrt(n))
    agreed = spread_of_siblings(np.zeros(n, np.int64), vans["measured"].to_numpy())
    return Group(
        cohort=clean_text(first["cohort"]),
        relation=first["relation"],
        says=first["says"],
        measured=float(np.median(vans["measured"].to_numpy())),
        expected=float(np.median(vans["expected"].to_numpy())),
        middle=float(departure.mean()),
        low=float(departure.mean()) - reach,
        high=float(departure.mean()) + reach,
        least=first["low"],
        most=first["high"],
        n_vans=n,
        n_plausible=int(vans["is_plausible"].sum()),
        n_scans=int(vans["n_scans"].sum()),
        n_within=int(agreed.n_within[0]),
        within=float(agreed.within[0]),
        percent=float(agreed.percent[0]),
        cylinders=first["cylinders"],
        engine_speed_rpm=first["engine_speed_rpm"],
    )


def say_departure(value: float, relation: str, reading: Reading, *, unit: bool = True) -> str:
    """Say a departure: a share of what is expected, or a difference from it."""
    if relation == "ratio":
        return f"{100 * value:.0f}{' %' if unit else ''}"
    return reading.say(value, signed=True, unit=unit)


def say_expected(group: Group, reading: Reading) -> str:
    """Say what was read, what is expected, and the share with its interval over vans."""
    share = say_departure(group.middle, group.relation, reading)
    if math.isfinite(group.low):
        low, high = (say_departure(v, group.relation, reading, unit=False) for v in (group.low, group.high))
        share += f" ({low} to {high})"
    least = say_departure(group.least, group.relation, reading, unit=False)
    most = say_departure(group.most, group.relation, reading)
    what = "of it" if group.relation == "ratio" else "from it"
    return (
        f"Read {reading.say(group.measured)}; expected {reading.say(group.expected)}, by {group.says}. That is {share}"
        f" {what}, {count_of(group.n_vans, 'van')}, {count_of(group.n_scans, 'scan')}; plausible is {least} to {most}."
    )


def say_siblings(group: Group, reading: Reading) -> str:
    """Say within what distance most siblings agree."""
    if group.n_vans < 3:
        return "Too few siblings to say whether they agree."
    reach = (
        f"{group.percent:.0f} %"
        if math.isfinite(group.percent) and reading.unit != "°C"
        else reading.say(group.within)
    )
    return f"Siblings agree within {reach}: {group.n_within} of {group.n_vans}."


def find_mix_up(
    group: Group, reading: Reading, limit: dict[str, Any] | None
) -> tuple[RatioMatch, str] | None:
    """Return a known ratio of mixed-up units near read over limit or read over expected, and which of the two."""
    listed = tuple(Ratio(r.ratio, r.says) for r in physics.unit_ratios() if reading.unit in r.units)
    flows = flow_ratios(group.cylinders, group.engine_speed_rpm) if reading.parameter in AIR else ()
    known, tolerance = listed + flows, physics.unit_test().tolerance
    middle = limit_middle(limit)
    if middle:
        match = match_ratio(group.measured / middle, known, tolerance)
        if match:
            return match, "the limit's middle"
    if group.relation == "ratio" and not group.is_plausible:
        match = match_ratio(group.middle, known, tolerance)
        if match:
            return match, "what is expected"
    return None


def limit_middle(limit: dict[str, Any] | None) -> float | None:
    """Return the middle of a limit, or its one end; None without a limit."""
    if limit is None:
        return None
    ends = [limit[k] for k in ("low", "high") if limit[k] is not None]
    return sum(ends) / len(ends) if ends else None


def say_limit(limit: dict[str, Any], reading: Reading) -> str:
    """Say how many of a group stand outside a reader's limit."""
    whose = f"{clean_text(limit['reader'])}'s limit" if limit["reader"] else "the listed limit"
    ends = ""
    if limit["low"] is not None and limit["high"] is not None:
        ends = f" ({reading.say(limit['low'], unit=False)} to {reading.say(limit['high'])})"
    if limit["n_above"] == limit["n_vans_outside"]:
        side = "above"
    elif limit["n_below"] == limit["n_vans_outside"]:
        side = "below"
    else:
        side = "outside"
    n, of = limit["n_vans_outside"], limit["n_vans"]
    who = f"Every one of {count_of(of, 'van')}" if n == of else f"{n} of {count_of(of, 'van')}"
    return f"{who} stands {side} {whose}{ends}." if n in (1, of) else f"{who} stand {side} {whose}{ends}."


def is_suspect(limit: dict[str, Any] | None) -> bool:
    """Whether so many of a group stand outside that the limit is doubted before the vans."""
    return (
        limit is not None
        and limit["n_vans"] >= 3
        and limit["n_vans_outside"] > SUSPECT_SHARE * limit["n_vans"]
    )


def conclude(group: Group, reading: Reading, limit: dict[str, Any] | None) -> str:
    """Say what is doubted: the limit, a unit, a state, the reading itself, or nothing."""
    mix_up = find_mix_up(group, reading, limit if is_suspect(limit) else None)
    if mix_up:
        match, against = mix_up
        return f"So a mix-up of units is likely: {format_number(match.found, 2)} times {against} is the ratio of {match.known.says}."
    if not group.is_plausible:
        return "So the reading itself is doubted first: its unit, its scaling, or a sensor that all share."
    if not is_suspect(limit):
        odd = group.n_vans - group.n_plausible
        if odd:
            return (
                f"{count_of(odd, 'van')} of them {'lies' if odd == 1 else 'lie'} outside what physics allows."
            )
        return "Nothing here speaks against the readings."
    if _is_for_open_valve(group, reading, limit):
        return (
            "So the limit's state is doubted first: recirculation was closed when they were read, and the limit looks"
            " as if meant for recirculation at work."
        )
    return (
        "So the limit, its unit or its state is doubted, or a real cause is common to all. It is not one van."
    )


def _is_for_open_valve(group: Group, reading: Reading, limit: dict[str, Any] | None) -> bool:
    middle, test = limit_middle(limit), physics.unit_test()
    if reading.parameter not in AIR or not middle:
        return False
    fill = group.middle * physics.constant("volumetric_efficiency")
    ratio = group.measured / middle
    is_closed = fill >= physics.constant("volumetric_efficiency_low")
    return is_closed and test.closed_over_open_from <= ratio <= test.closed_over_open_to


def say_van(row: dict[str, Any], group: Group, reading: Reading) -> str:
    """Say how the chosen van stands to what is expected, beside its siblings."""
    share = say_departure(row["departure"], row["relation"], reading)
    van = clean_text(row["van"])
    what = "of what is expected" if row["relation"] == "ratio" else "from what is expected"
    told = f"Van {van}: {share} {what}, {count_of(row['n_scans'], 'scan')}"
    if row["is_plausible"]:
        return f"{told}: plausible."
    if group.n_plausible > 0.7 * (group.n_vans - 1):
        return f"{told}: not plausible, while its siblings are. Look at this van's sensor, or at a fault of its own."
    return f"{told}: not plausible, nor are its siblings."
