"""Seeded fleets whose readers get new software, for the benchmark of readers' updates.

Two years of scans: cohorts of like vans, two to a family that shares its seasons; vans with levels of their own; readers
of which every van has its own mix; readings in two states whose scatter shares half of its variance. The unit is the
standard deviation of one scan about its van (a scan-sigma); vans differ with sd 1.4, a third of readers' readings is biased.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.build.levels import Levels

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

START, DAYS = datetime(2024, 1, 1), 730
BETWEEN_VANS = 1.4
SHIFTED = 0  # the reading that an update moves, and the reader whose first update moves it
FIRST, LAST = 200, 530  # between these days the first update falls


@dataclass(frozen=True)
class Fleet:
    """What a fleet is like, and when its readers are updated.

    Attributes
    ----------
    cohorts
        Vans of each model year; neighbours are one family.
    scans
        Scans of a van a year.
    readers, readings, states
        Their numbers.
    updates
        Reader and days after the first update, in order.
    days_ago
        Days from the first update to the end; drawn where 0.
    shift
        What the first update adds to the first reading, in scan-sigmas.
    season
        Standard deviation over readings of the amplitude of a family's year.
    tails
        Degrees of freedom of scans that scatter as Student's t (variance 1); 0 for the normal law.
    paces, wander
        Sd of what vans climb over the two years, and of what they move by from month to month.
    biases
        Sd of the constant biases of readers.
    few_vans
        The first reader is used on so many vans alone; 0 for all.
    is_local
        The first reader stays with one half of the vans, the others with the other half.
    weather
        Sd of what a week adds to every van's readings, one week like another or not.
    turns
        Days that a yard (every other van) keeps one reader before it takes another; 0 where each scan has its own.
    odd
        Levels by which one van stands off in the first reading, in sd between vans.
    late
        What another van moves by in the first reading over the last 80 days.
    """

    cohorts: tuple[int, ...] = (10, 10, 10, 10)
    scans: int = 12
    readers: int = 3
    readings: int = 12
    states: int = 2
    updates: tuple[tuple[int, int], ...] = ((0, 0),)
    days_ago: int = 0
    shift: float = 0.0
    season: float = 1.0
    tails: int = 0
    paces: float = 0.0
    wander: float = 0.0
    biases: float = 1.0
    few_vans: int = 0
    is_local: bool = False
    weather: float = 0.0
    turns: int = 0
    odd: float = 0.0
    late: float = 0.0


@dataclass(frozen=True)
class Scans:
    """A fleet's levels as the build reads them, with what is true of them.

    Attributes
    ----------
    levels
        Measures in order of reading and state.
    van, family
        Of every scan, shape (scans,).
    cohort
        Of every van, shape (vans,).
    day
        Of every scan.
    season, shift
        What season and update added to each level, shape (rows,).
    states
        States of a reading: measures 0 to `states` - 1 are the first reading.
    odd, late
        The van whose level stands off, and the one that moved of late.
    """

    levels: Levels
    van: Ints
    family: Ints
    cohort: Ints
    day: Floats
    season: Floats
    shift: Floats
    states: int
    odd: int
    late: int


def _scan_days(rng: np.random.Generator, kind: Fleet, vans: int) -> tuple[Ints, Floats]:
    """Van and day of every scan: about as many days apart, with gaps as they come."""
    count = 2 * kind.scans
    gap = DAYS / count
    day = np.arange(count) * gap + rng.uniform(0, gap, (vans, count))
    order = np.argsort(day, axis=None)
    return np.repeat(np.arange(vans), count)[order], day.ravel()[order]


def _readers(rng: np.random.Generator, kind: Fleet, van: Ints, vans: int) -> Ints:
    """Which reader took each scan: every van has a mix of its own."""
    mix = rng.dirichlet(np.full(kind.readers, 0.7), vans)
    if kind.few_vans:
        mix[rng.permutation(vans)[kind.few_vans :], 0] = 0.0
    if kind.is_local:
        mix[: vans // 2] = np.eye(kind.readers)[0]
        mix[vans // 2 :, 0] = 0.0
    mix = (mix + 1e-12) / (mix + 1e-12).sum(axis=1, keepdims=True)
    drawn = rng.random(len(van))[:, None] > mix.cumsum(axis=1)[van]
    found: Ints = np.minimum(drawn.sum(axis=1), kind.readers - 1)
    return found


def _take_turns(rng: np.random.Generator, kind: Fleet, van: Ints, day: Floats) -> Ints:
    """Which reader took each scan where a yard keeps one for some days."""
    order = rng.integers(0, kind.readers, (2, int(DAYS // kind.turns) + 1))
    found: Ints = order[van % 2, (day // kind.turns).astype(np.int64)]
    return found


def _scatter(rng: np.random.Generator, kind: Fleet, shape: tuple[int, ...]) -> Floats:
    drawn = rng.standard_normal(shape)
    if kind.tails:
        drawn = rng.standard_t(kind.tails, shape) * np.sqrt((kind.tails - 2) / kind.tails)
    return drawn


def _moves(rng: np.random.Generator, kind: Fleet, van: Ints, day: Floats, vans: int) -> Floats:
    """What vans do of themselves over the two years, and what the weather does; shape (scans, readings, 1)."""
    pace = kind.paces * rng.standard_normal((vans, kind.readings))
    steps = kind.wander * rng.standard_normal((vans, 25, kind.readings)).cumsum(axis=1)
    weeks = kind.weather * rng.standard_normal((int(DAYS // 7) + 1, kind.readings))
    found: Floats = pace[van] * (day / DAYS)[:, None] + steps[van, (day // 30).astype(np.int64)]
    found += weeks[(day // 7).astype(np.int64)]
    return found[:, :, None]


def draw_fleet(kind: Fleet, seed: int) -> Scans:
    """Return the fleet of this number."""
    rng = np.random.default_rng([11, seed])
    cohort = np.repeat(np.arange(len(kind.cohorts)), kind.cohorts)
    vans, family = len(cohort), cohort // 2
    van, day = _scan_days(rng, kind, vans)
    reader = _take_turns(rng, kind, van, day) if kind.turns else _readers(rng, kind, van, vans)
    first = float(DAYS - kind.days_ago) if kind.days_ago else rng.uniform(FIRST, LAST)
    version = np.zeros(len(van), np.int64)
    for who, later in kind.updates:
        version += (reader == who) & (day >= first + later)
    shape = (len(van), kind.readings, kind.states)
    own = (
        _scatter(rng, kind, (vans, kind.readings, 1))
        + rng.standard_normal((vans, kind.readings, kind.states)) / 2
    )
    scan = (_scatter(rng, kind, (*shape[:2], 1)) + _scatter(rng, kind, shape)) / np.sqrt(2)
    wave = np.sin(
        2 * np.pi * day[:, None] / 365 + rng.uniform(0, 2 * np.pi, family.max() + 1)[family[van], None]
    )
    season = np.broadcast_to((kind.season * rng.standard_normal(kind.readings) * wave)[:, :, None], shape)
    bias_of = kind.biases * rng.standard_normal((kind.readings, kind.readers))
    bias_of *= rng.random(bias_of.shape) < 1 / 3
    shift = np.zeros(shape)
    shift[(reader == kind.updates[0][0]) & (version > 0), SHIFTED] = kind.shift
    value = BETWEEN_VANS / np.sqrt(1.25) * own[van] + scan + season + bias_of.T[reader][:, :, None] + shift
    value += _moves(rng, kind, van, day, vans)
    odd, late = (int(x) for x in rng.permutation(vans)[:2])
    value[van == odd, SHIFTED] += kind.odd * BETWEEN_VANS
    value[(van == late) & (day >= DAYS - 80), SHIFTED] += kind.late
    levels = _tabulate(kind, value, van, family[van], reader, version, day)
    return Scans(levels, van, family[van], cohort, day, season.ravel(), shift.ravel(), kind.states, odd, late)


def name_software(reader: int, version: int) -> str:
    """Return the software that a reader has after so many updates."""
    return f"{reader}.{version}"


def _tabulate(
    kind: Fleet, value: Floats, van: Ints, family: Ints, reader: Ints, version: Ints, day: Floats
) -> Levels:
    """Name everything, and put scans in order of time as the build does."""
    at = pl.Series([START + timedelta(days=float(d)) for d in day])
    scans = pl.DataFrame(
        {
            "van": van,
            "family_id": family,
            "reader": reader,
            "reader_version": [
                name_software(*x) for x in zip(reader.tolist(), version.tolist(), strict=True)
            ],
            "scanned_at": at,
            "month": at.dt.year().cast(pl.Int64) * 12 + at.dt.month() - 1,
        }
    ).with_columns(pl.col("van", "family_id", "reader").cast(pl.String))
    measures = kind.readings * kind.states
    number = np.arange(measures)
    named = pl.DataFrame({"parameter": number // kind.states, "state": number % kind.states}).cast(pl.String)
    return Levels(
        scans, named, np.repeat(np.arange(len(van)), measures), np.tile(number, len(van)), value.ravel()
    )
