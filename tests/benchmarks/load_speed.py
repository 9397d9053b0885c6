"""How long a load takes beside a bare read of the same file: run `python tests/benchmarks/load_speed.py`.

Prints milliseconds and ratios. The bare reads keep every cell as text and store nothing; the load hashes, copies,
checks, converts, looks for duplicates and commits.
"""

from __future__ import annotations

import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl

from pipeline import ingest
from pipeline.settings import Home

ROWS = 150_000
REPEATS = 5
READINGS = (
    ("engine_speed", "rpm", 780),
    ("vehicle_speed", "km/h", 40),
    ("coolant_temp", "°F", 187),
    ("rail_pressure", "bar", 281),
    ("air_mass_per_stroke", "mg/stroke", 566),
    ("supply_voltage", "V", 14),
)


def write_readings(path: Path, rows: int) -> None:
    """Write a tidy readings file as a logger would leave it: twenty instants a scan, six readings each."""
    chance = random.Random(1)
    with path.open("w", encoding="utf-8") as file:
        file.write("scan_id,at,parameter,value,unit,low,high,mark,state\n")
        for row in range(rows):
            instant, which = divmod(row, len(READINGS))
            scan, second = divmod(instant, 20)
            parameter, unit, centre = READINGS[which]
            at = f"2026-03-{1 + scan % 28:02d}T07:{scan // 28 % 60:02d}:{second:02d}"
            file.write(f"s-{scan},{at},{parameter},{chance.gauss(centre, centre / 40):.1f},{unit},,,,\n")


def best(work: Callable[[], object]) -> float:
    """Return the shortest of several runs, in milliseconds."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1000 * min(times)


def main(rows: int = ROWS) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        write_readings(path, rows)
        home = Home(Path(folder) / "home").ensure()
        work_file = Path(folder) / "bare.duckdb"

        def bare_table() -> None:
            work_file.unlink(missing_ok=True)
            with duckdb.connect(str(work_file)) as connection:
                connection.execute("create table t as from read_csv(?, all_varchar = true)", [str(path)])

        def bare_read() -> None:
            with duckdb.connect() as connection:
                connection.execute("create table t as from read_csv(?, all_varchar = true)", [str(path)])

        def fresh_load() -> None:
            shutil.rmtree(home.path)
            report = ingest.load(home, [path])
            assert report.files[0].taken == rows

        def second_load() -> None:
            assert ingest.load(home, [path]).files[0].duplicates == rows

        figures = {
            "bare polars read_csv as text": best(lambda: pl.read_csv(path, infer_schema=False)),
            "bare DuckDB read_csv as text, in memory": best(bare_read),
            "bare DuckDB read_csv as text, into a file": best(bare_table),
            "load into an empty home": best(fresh_load),
            "load of the same file again": best(second_load),
        }
    yardstick = figures["bare DuckDB read_csv as text, in memory"]
    sys.stdout.write(f"{rows:,} readings\n")
    for name, value in figures.items():
        sys.stdout.write(f"{name:45} {value:9.1f} ms  {value / yardstick:5.2f} x\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else ROWS)
