"""When each van is scanned, by which reader, in what weather and at what mileage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.register import Van
from demo_warehouse.scenario import Scenario
from demo_warehouse.streams import stream

READERS = ("bench", "handheld", "tablet")
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Scans:
    """One row per scan, in order of van and day; all arrays of equal length.

    `started` is local wall time (datetime64[s]); ambient in degrees C, weather in kPa beside the
    standard atmosphere, odometer in km, standing in days.
    """

    van: Ints
    day: Ints
    started: NDArray[np.datetime64]
    reader: Ints
    ambient_c: Floats
    weather_kpa: Floats
    odometer_km: Floats
    standing_days: Floats
    is_storm: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.van)


def make_weather(scenario: Scenario, seed: int) -> tuple[Floats, Floats]:
    """Return the outside air (degrees C) and the barometer's departure (kPa) for every day of the story."""
    days = np.arange(scenario.firm.days)
    rng = stream(seed, "weather")
    shocks = rng.standard_normal((2, len(days)))
    air, press = np.zeros(len(days)), np.zeros(len(days))
    for i in range(1, len(days)):  # one step a day: yesterday's weather is half of today's
        air[i] = 0.6 * air[i - 1] + 2.0 * shocks[0, i]
        press[i] = 0.7 * press[i - 1] + 0.45 * shocks[1, i]
    first = np.datetime64(scenario.firm.first_day)
    in_year = (first + days - np.datetime64("2025-01-01")).astype(int)
    season = 11.0 + 7.5 * np.cos(2 * np.pi * (in_year - 200) / 365.25)
    return season + air, press


def _days_of(scenario: Scenario, van: Van, seed: int) -> Ints:
    """Return the day numbers on which one van is scanned."""
    rng = stream(seed, "schedule", van.van)
    low, high = scenario.firm.scan_gap_days
    gaps = rng.integers(low, high + 1, size=2 * scenario.firm.days // low)
    days = int(rng.integers(0, high)) + np.concatenate([[0], np.cumsum(gaps)])
    days = days[days < scenario.firm.days]
    apart = scenario.particular(van.van)
    dates = np.datetime64(scenario.firm.first_day) + days
    months = dates.astype("datetime64[M]").astype(int) % 12 + 1
    keep = np.isin(months, apart.months)
    if apart.scan_to:
        keep &= dates <= np.datetime64(apart.scan_to)
    storm = scenario.storm
    if van.van == storm.van:
        wanted = (storm.on - scenario.firm.first_day).days
        days[np.abs(days - wanted).argmin()] = wanted
    return np.unique(days[keep]).astype(np.int64)


def _readers_of(scenario: Scenario, van: Van, count: int, seed: int) -> Ints:
    depot = next(d for d in scenario.depots if d.name == van.depot)
    shares = scenario.particular(van.van).readers or depot.readers
    chance = np.array([shares[key] for key in READERS])
    return stream(seed, "reader", van.van).choice(len(READERS), size=count, p=chance / chance.sum())


def make_scans(scenario: Scenario, vans: Sequence[Van], seed: int) -> Scans:
    """Lay out every scan of the story.

    Returns
    -------
    Scans
        About 26 scans a van over eighteen months, by the readers of its depot.
    """
    shift = {d.name: d.ambient_shift_c for d in scenario.depots}
    days = [_days_of(scenario, van, seed) for van in vans]
    van = np.repeat(np.arange(len(vans)), [len(d) for d in days])
    day = np.concatenate(days)
    reader = np.concatenate([_readers_of(scenario, v, len(d), seed) for v, d in zip(vans, days, strict=True)])
    storm_van = [v.van for v in vans].index(scenario.storm.van)
    is_storm = (van == storm_van) & (day == (scenario.storm.on - scenario.firm.first_day).days)
    reader[is_storm] = READERS.index("bench")
    rng = stream(seed, "scans")
    second = rng.integers(6 * 3600 + 1800, 16 * 3600, size=len(van))
    midnight = np.datetime64(scenario.firm.first_day, "s") + day * np.timedelta64(86400, "s")
    air, press = make_weather(scenario, seed)
    warmer = 4.0 * np.sin(np.pi * (second - 6 * 3600) / (14 * 3600)) - 2.0
    ambient = air[day] + warmer + np.array([shift[v.depot] for v in vans])[van]
    km = np.array([v.km_start for v in vans])[van] + np.array([v.km_per_day for v in vans])[van] * day
    return Scans(
        van=van,
        day=day,
        started=midnight + second.astype("timedelta64[s]"),
        reader=reader.astype(np.int64),
        ambient_c=ambient + rng.normal(0, 0.4, len(van)),
        weather_kpa=press[day] + rng.normal(0, 0.05, len(van)),
        odometer_km=np.floor(km),
        standing_days=_standing(scenario, vans, van, is_storm, seed),
        is_storm=is_storm,
    )


def _standing(
    scenario: Scenario, vans: Sequence[Van], van: Ints, is_storm: NDArray[np.bool_], seed: int
) -> Floats:
    """Return days stood before each scan: mostly none to three, a week and more where the story says so."""
    stood = stream(seed, "standing").choice([0.0, 1.0, 2.0, 3.0], size=len(van), p=[0.45, 0.35, 0.1, 0.1])
    for index, one in enumerate(vans):
        own = np.flatnonzero(van == index)
        count = scenario.particular(one.van).long_stands
        stood[own[np.linspace(3, len(own) - 2, count).astype(int)] if count else own[:0]] = 8.0
    stood[is_storm] = scenario.storm.standing_days
    return stood
