"""False findings and recall of the whole chain: tidy files in, findings out.

    python tests/benchmarks/whole_chain.py --fleets 20 --sigma 0 6 8

Each fleet is written as the tidy files anyone may bring, with a season, two readers of which one is biased on one
reading, cohorts of 4 to 24 vans, and, at a sigma above 0, six faulty vans (level) of that size. Its structure is
its own, not the demo's. A finding is false when nothing was planted on that van and reading.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline import build as building
from pipeline import ingest
from pipeline.findings import published
from pipeline.settings import Home
from pipeline.warehouse import published as marts

SIZES = (4, 5, 6, 8, 10, 12, 16, 24)
# reading: level, sd between vans, sd between scans, sd between rows, seasonal swing (canonical units)
READINGS = {
    "coolant_temp": (88.0, 2.0, 1.5, 0.5, 1.5),
    "intake_air_temp": (30.0, 2.5, 3.0, 0.5, 9.0),
    "air_mass_per_stroke": (420.0, 14.0, 12.0, 6.0, -15.0),
    "manifold_pressure": (102.0, 1.5, 1.2, 0.5, 0.0),
    "barometric_pressure": (101.0, 0.9, 0.8, 0.1, 0.0),
    "rail_pressure": (28.0, 0.9, 0.8, 0.3, 0.0),
    "rail_regulator_duty": (24.0, 1.8, 1.5, 0.5, 0.0),
    "injection_quantity": (6.5, 0.5, 0.4, 0.2, 0.0),
    "fuel_rate": (0.9, 0.08, 0.06, 0.03, 0.0),
    "supply_voltage": (14.1, 0.14, 0.1, 0.03, -0.1),
    "egr_command": (40.0, 3.0, 2.5, 1.0, 0.0),
    "egr_position": (38.0, 3.0, 2.5, 1.0, 0.0),
    "turbo_actuator": (62.0, 3.0, 2.0, 0.5, 0.0),
    "engine_load": (24.0, 2.4, 2.0, 0.8, 0.0),
    "fan_duty": (18.0, 6.0, 5.0, 2.0, 4.0),
    "exhaust_temp_1": (160.0, 14.0, 14.0, 5.0, 10.0),
    "oil_temp": (92.0, 3.0, 2.5, 0.5, 2.0),
    "charge_air_temp": (38.0, 3.0, 3.0, 0.5, 8.0),
}
BIASED = ("Second reader", "supply_voltage", 0.10)
ROWS = 3
N_FAULTS = 6
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Planted:
    """A fault of `sigma` between-van standard deviations on one van's reading."""

    van: str
    parameter: str
    cohort_size: int


@dataclass(frozen=True)
class Options:
    """Size of planted faults (0: healthy), whether vans have heavy tails, and rows of a scan."""

    sigma: float
    heavy: bool
    rows: int = ROWS


@dataclass(frozen=True)
class Fleet:
    """Vans with their cohort's size, and the scans: van, day, reader and id of each."""

    vans: list[tuple[str, int]]
    van_of_scan: np.ndarray
    day: Floats
    reader: np.ndarray
    ids: list[str]


def _draw_fleet(rng: np.random.Generator) -> Fleet:
    vans = [(f"{size:02d}-{i:02d}", size) for size in SIZES for i in range(size)]
    van_of_scan = np.repeat(np.arange(len(vans)), rng.integers(8, 16, len(vans)))
    share = rng.choice([0.1, 0.5, 0.9], len(vans))[van_of_scan]
    reader = np.where(rng.random(len(van_of_scan)) < share, BIASED[0], "First reader")
    ids = [f"s{i:05d}" for i in range(len(van_of_scan))]
    return Fleet(vans, van_of_scan, rng.uniform(0, 364, len(van_of_scan)), reader, ids)


def write_fleet(folder: Path, seed: int, options: Options) -> list[Planted]:
    """Write register, scans and readings of one fleet; return what was planted."""
    rng = np.random.default_rng(seed)
    fleet = _draw_fleet(rng)
    chosen = rng.choice(len(fleet.vans), N_FAULTS if options.sigma else 0, replace=False)
    planted = [Planted(fleet.vans[v][0], str(rng.choice(list(READINGS))), fleet.vans[v][1]) for v in chosen]
    register = {
        "van": [van for van, _ in fleet.vans],
        "make": "Tarnwell",
        "model": [f"Model {size}" for _, size in fleet.vans],
        "model_year": 2014,
        "engine": "2.2D",
    }
    pl.DataFrame(register).write_csv(folder / "register.csv")
    scans = {
        "scan_id": fleet.ids,
        "van": [fleet.vans[v][0] for v in fleet.van_of_scan],
        "reader": fleet.reader,
        "scanned_at": [datetime(2025, 6, 1) + timedelta(days=float(d)) for d in fleet.day],
    }
    pl.DataFrame(scans).write_csv(folder / "scans.csv", datetime_format="%Y-%m-%dT%H:%M:%S")
    _write_readings(folder, rng, fleet, planted, options)
    return planted


def _own_levels(
    rng: np.random.Generator, fleet: Fleet, key: str, planted: list[Planted], options: Options
) -> Floats:
    """What each van would read without season, reader and scatter."""
    level, tau, *_ = READINGS[key]
    draw = rng.standard_normal(len(fleet.vans))
    if options.heavy:
        draw = rng.standard_t(4, len(fleet.vans)) / np.sqrt(2)
    cohort = {size: rng.normal(0, 2 * tau) for size in SIZES}
    own: Floats = level + tau * draw + np.array([cohort[size] for _, size in fleet.vans])
    names = [van for van, _ in fleet.vans]
    for fault in (p for p in planted if p.parameter == key):
        i = names.index(fault.van)
        own[i] += tau * (options.sigma * rng.choice([-1, 1]) - draw[i])
    return own


def _write_readings(
    folder: Path, rng: np.random.Generator, fleet: Fleet, planted: list[Planted], options: Options
) -> None:
    n = len(fleet.van_of_scan)
    frames = []
    for key, (_, _, scatter, noise, swing) in READINGS.items():
        own = _own_levels(rng, fleet, key, planted, options)
        scan = own[fleet.van_of_scan] + scatter * rng.standard_normal(n)
        scan += swing * np.sin(2 * np.pi * (fleet.day - 60) / 365)
        if key == BIASED[1]:
            scan += BIASED[2] * (fleet.reader == BIASED[0])
        value = np.round(np.repeat(scan, options.rows) + noise * rng.standard_normal(n * options.rows), 3)
        rows = {"scan_id": np.repeat(fleet.ids, options.rows), "value": value}
        frames.append(pl.DataFrame(rows).with_columns(parameter=pl.lit(key), state=pl.lit("warm_idle")))
    pl.concat(frames).write_csv(folder / "readings.csv")


def run_fleet(seed: int, options: Options) -> tuple[list[Planted], list[dict[str, Any]], float]:
    """Write, load, build and read back one fleet; return what was planted, the findings and seconds."""
    with tempfile.TemporaryDirectory() as scratch:
        files, home = Path(scratch) / "files", Home(Path(scratch) / "home").ensure()
        files.mkdir()
        planted = write_fleet(files, seed, options)
        started = time.perf_counter()
        ingest.load(home, [files])
        building.build(home)
        with marts.reading(home) as connection:
            found = published.read_findings(connection, tier="finding")
    return planted, found["findings"], time.perf_counter() - started


def report(sigma: float, heavy: bool, fleets: int, rows: int = ROWS) -> str:
    """Run some fleets and say how many findings were false and how many faults were found."""
    false, seconds, hits, others = 0, 0.0, [], []
    for seed in range(fleets):
        planted, findings, took = run_fleet(1000 + seed, Options(sigma, heavy, rows))
        seconds += took
        wanted = {(p.van, p.parameter): p.cohort_size for p in planted}
        named = {(f["van"], f["parameter"]) for f in findings if f["kind"] == "van_level"}
        false += len(named - set(wanted))
        hits += [(size, key in named) for key, size in wanted.items()]
        others += [f for f in findings if f["kind"] != "van_level"]
    lines = [
        f"sigma {sigma:g}{' heavy-tailed' if heavy else ''}: {fleets} fleets of {sum(SIZES) * len(READINGS)} cells; "
        f"false level findings per fleet {false / fleets:.2f}, findings of other kinds per fleet "
        f"{len(others) / fleets:.2f}, {seconds / fleets:.1f} s a fleet"
    ]
    for low, high in ((4, 4), (5, 6), (8, 8), (10, 12), (16, 24)):
        found = [hit for size, hit in hits if low <= size <= high]
        if found:
            lines.append(f"  cohorts of {low} to {high} vans: found {sum(found)} of {len(found)}")
    lines += [f"  other: {f['kind']}: {f['claim']}" for f in others[:8]]
    return "\n".join(lines)


def main() -> None:
    """Run the fleets and print the report of each size."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=20)
    parser.add_argument("--sigma", type=float, nargs="+", default=[0.0, 6.0, 8.0])
    parser.add_argument("--heavy", action="store_true", help="heavy-tailed vans (t with 4 df)")
    parser.add_argument("--rows", type=int, default=ROWS, help="rows of a scan; eight or so give spreads")
    given = parser.parse_args()
    for sigma in given.sigma:
        sys.stdout.write(report(sigma, given.heavy, given.fleets, given.rows) + "\n")


if __name__ == "__main__":
    main()
