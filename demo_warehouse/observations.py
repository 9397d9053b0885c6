"""What the readers saw: scans and readings as tables, in canonical units, rounded, with gaps and slips."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from demo_warehouse.effects import day_number
from demo_warehouse.instants import STATES, Instants
from demo_warehouse.physics import Physics, bias_of, make_rest_voltage
from demo_warehouse.scenario import Scenario
from demo_warehouse.schedule import READERS, Floats
from demo_warehouse.streams import stream

PREFIX = {"bench": "b-", "handheld": "H2-", "tablet": "T"}
_OPERATORS = ("MK", "TO", "JB")
# Values a reader shows when it has none: ends of the encodable scale (SAE J1979 scalings, from memory).
_SENTINELS = (("coolant_temp", -40.0), ("intake_air_temp", 215.0), ("manifold_pressure", 255.0))
_IMPLAUSIBLE = (("rail_pressure", 312.0), ("supply_voltage", 141.5))


@dataclass(frozen=True)
class Observations:
    """Tables as seen by the readers.

    `scans`: scan (number), scan_id, van, reader, reader_version, local_at, odometer_km, ambient_c, rest_v,
    standing_days, operator; null where not written down.
    `readings`: scan, instant, reader, local_at, state, parameter, value; canonical units, rounded to the
    control unit's step, reader's bias in.
    """

    scans: pl.DataFrame
    readings: pl.DataFrame


def _odometers(scenario: Scenario, physics: Physics) -> Floats:
    """Return odometers as shown: a new cluster starts afresh, and one figure is typed with digits swapped."""
    scans, disorder = physics.scans, scenario.disorder
    names = np.array([v.van for v in physics.vans])[scans.van]
    km = scans.odometer_km.copy()
    changed = (names == disorder.cluster_van) & (scans.day >= day_number(scenario, disorder.cluster_on, 0))
    km[changed] += disorder.cluster_starts_km - km[changed][0]
    bench = np.flatnonzero((names == disorder.odometer_typo_van) & (scans.reader == READERS.index("bench")))
    shown = [f"{int(km[i])}" for i in bench]
    falling = [i for i, d in zip(bench, shown, strict=True) if int(d[-4]) < int(d[-5]) and i != bench[0]]
    slip = falling[len(falling) // 2]
    d = f"{int(km[slip])}"
    km[slip] = float(d[:-5] + d[-4] + d[-5] + d[-3:])
    return km


def versions_of(scenario: Scenario, reader: str, started: pl.Series) -> list[str]:
    """Return the version a reader had on each day."""
    found = []
    for at in started.dt.strftime("%Y-%m-%d"):
        found.append([name for since, name in scenario.readers[reader].versions if since <= at][-1])
    return found


def _drop(values: Floats, share: float, rng: np.random.Generator, keep: np.ndarray) -> Floats:
    """Leave out a share of the values, never where `keep`."""
    return np.where((rng.random(len(values)) < share) & ~keep, np.nan, values)


def make_scan_table(scenario: Scenario, physics: Physics) -> pl.DataFrame:
    """Return the scans as written down by the readers, with the gaps a yard has."""
    scans, disorder = physics.scans, scenario.disorder
    rng = stream(physics.seed, "gaps")
    names = np.array([v.van for v in physics.vans])[scans.van]
    odd = scans.is_storm | np.isin(names, [disorder.odometer_typo_van, disorder.cluster_van])
    battery = [str(e.van) for e in scenario.effects if e.parameter == "battery_rest_voltage"]
    tested = odd | np.isin(names, battery)
    keys = [READERS[r] for r in scans.reader]
    table = pl.DataFrame(
        {
            "scan": np.arange(len(scans)),
            "van": names,
            "reader": keys,
            "local_at": scans.started.astype("datetime64[ms]"),
            "odometer_km": _drop(_odometers(scenario, physics), disorder.odometer_missing_share, rng, odd),
            "ambient_c": _drop(scans.ambient_c.round(1), disorder.ambient_missing_share, rng, odd),
            "rest_v": _drop(make_rest_voltage(physics).round(2), disorder.rest_v_missing_share, rng, tested),
            "standing_days": _drop(scans.standing_days, disorder.standing_days_missing_share, rng, odd),
            "operator": [_OPERATORS[i] for i in rng.integers(0, len(_OPERATORS), len(scans))],
        }
    ).with_columns(pl.col("odometer_km", "ambient_c", "rest_v", "standing_days").fill_nan(None))
    ranks = table.select(pl.col("local_at").rank("ordinal").over("reader").cast(pl.Int64)).to_series()
    ids = [f"{PREFIX[key]}{rank:05d}" for key, rank in zip(keys, ranks, strict=True)]
    version = pl.Series("reader_version", [""] * len(table), dtype=pl.String)
    for key in READERS:
        here = table["reader"] == key
        rows = np.flatnonzero(here.to_numpy())
        version = version.scatter(rows, versions_of(scenario, key, table.filter(here)["local_at"]))
    return table.with_columns(pl.Series("scan_id", ids), version)


def _rounded(scenario: Scenario, parameter: str, values: Floats) -> Floats:
    """Round to the control unit's step; readings without a spec are counts and per cents."""
    spec = scenario.parameters.get(parameter)
    if spec is None:
        return values.round(1 if parameter == "pedal_position" else 0)
    stepped = (np.round(values / spec.resolution) * spec.resolution).round(spec.decimals)
    return stepped + 0.0  # no minus zero


def make_reading_table(
    scenario: Scenario, physics: Physics, instants: Instants, readings: Mapping[str, Floats]
) -> pl.DataFrame:
    """Return every reading a reader can show, long, as the reader rounds it."""
    reader = physics.scans.reader[instants.scan]
    at = physics.scans.started[instants.scan] + instants.offset_s.astype("timedelta64[s]")
    seen = {"bench": set(scenario.bench_parameters)}
    seen |= {key: {label.parameter for label in labels} for key, labels in scenario.labels.items()}
    every = np.arange(len(instants))
    frames = []
    for parameter, values in readings.items():
        shown = _rounded(scenario, parameter, values + bias_of(physics, instants, parameter))
        known = np.array([parameter in seen[key] for key in READERS])[reader]
        rows = every[known & ~np.isnan(shown)]
        frames.append(pl.DataFrame({"instant": rows, "parameter": parameter, "value": shown[rows]}))
    table = pl.concat(frames)
    chosen = table["instant"].to_numpy()
    table = table.with_columns(
        pl.Series("scan", instants.scan[chosen]),
        pl.Series("reader", np.array(READERS)[reader[chosen]]),
        pl.Series("local_at", at[chosen].astype("datetime64[ms]")),
        pl.Series("state", np.array(STATES)[instants.state[chosen]]),
        pl.Series("is_cold", instants.is_cold[chosen]),
    )
    order = pl.DataFrame({"parameter": list(readings), "place": np.arange(len(readings))})
    return table.join(order, on="parameter", maintain_order="left").sort("instant", "place").drop("place")


def _slip(scenario: Scenario, table: pl.DataFrame, seed: int) -> pl.DataFrame:
    """Put sentinels and impossible values in place of a few bench rows at idle."""
    rng = stream(seed, "slips")
    values = table["value"].to_numpy().copy()
    idle = (table["reader"] == "bench") & (table["state"] == "warm_idle")
    counts = (scenario.disorder.sentinel_rows, scenario.disorder.implausible_rows)
    for kinds, count in zip((_SENTINELS, _IMPLAUSIBLE), counts, strict=True):
        for number in range(count):
            parameter, value = kinds[number % len(kinds)]
            rows = np.flatnonzero((idle & (table["parameter"] == parameter)).to_numpy())
            values[rng.choice(rows)] = value
    return table.with_columns(pl.Series("value", values))


def make_observations(
    scenario: Scenario, physics: Physics, instants: Instants, readings: Mapping[str, Floats]
) -> Observations:
    """Make both tables the readers' files are cut from; sentinels and slips stand among the readings."""
    shown = make_reading_table(scenario, physics, instants, readings)
    return Observations(make_scan_table(scenario, physics), _slip(scenario, shown, physics.seed))
