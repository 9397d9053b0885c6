"""What a load costs beside a bare read and beside a bare DuckDB script of the same work; how much memory it takes.

    python tests/benchmarks/load_speed.py                      # a tidy file and a reader's wide export
    python tests/benchmarks/load_speed.py --rows 300000        # readings of each
    python tests/benchmarks/load_speed.py --gigabytes 1        # peak memory, one file of that size each
    python tests/benchmarks/load_speed.py --million 20         # ten thousand new readings into so large a home

Prints seconds of the processors (user and system, all threads), rows and readings a second, and ratios; the clock
would suffer from whatever else runs. The bare read keeps every cell as text in memory and stores nothing; the bare
script reads, turns wide into long, casts, converts units and writes the same sixteen columns. The load also hashes and
keeps the original, checks every row, looks for duplicates and says what was left out.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import duckdb

sys.path.insert(0, str(Path(__file__).parents[2]))
from pipeline import ingest
from pipeline.settings import Home
from tests.benchmarks import build_speed, load_files

ROWS = 900_000
REPEATS = 3
BYTES_A_ROW = {"tidy": 55, "wide": 230}
KINDS = ("tidy", "wide", "wide, no scan times")
READ = {
    "tidy": "read_csv('{path}', all_varchar = true)",
    "wide": "read_csv('{path}', all_varchar = true, delim = ';', skip = 2)",
}
COLUMNS = """1::bigint as batch_id, repeat('f', 64) as file_id, line, scan_id, reader, t as "at", epoch(t) as at_s,
    parameter, number * factor + shift as value, low::double as low, high::double as high, mark, state,
    case when number * factor + shift is null then 'implausible' else 'ok' end as quality,
    value as value_given, unit as unit_given"""


def same_work(kind: str, path: Path) -> str:
    """SQL that makes the rows of `raw.readings` from a file, without a check."""
    source = READ[kind].format(path=path)
    if kind == "tidy":
        units = ", ".join(f"('{p}', '{u}', 0.5, 1.0)" for p, u, _ in load_files.TIDY)
        return f"""with given as (select *, row_number() over () + 1 as line, null as reader, "at"::timestamp as t,
                value::double as number from {source})
            select {COLUMNS} from given
            join (values {units}) as u(parameter, unit, factor, shift) using (parameter, unit)"""
    units = ", ".join(f"('{n} [{u}]', '{p}', '{u}', 0.5, 1.0)" for n, u, p, _ in load_files.WIDE)
    return f"""with given as (select *, row_number() over () + 3 as line from {source}),
            long as (from (from given unpivot (value for name in (columns('\\['))))
                join (values {units}) as u(name, parameter, unit, factor, shift) using (name)),
            timed as (select *, strptime("Datum" || ' ' || "Uhrzeit", '%d.%m.%Y %H:%M:%S') as t,
                "Fahrzeug" || '|Depot logger|' || "Beginn" as scan_id, 'Depot logger' as reader, "Zustand" as state,
                null as low, null as high, null as mark,
                try_cast(replace(replace(value, '.', ''), ',', '.') as double) as number from long where value <> '---')
        select {COLUMNS} from timed"""


def processor_seconds() -> float:
    """Seconds that the processors have worked for this process."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def cost(work: Callable[[], object]) -> float:
    """Return the median of several runs, in seconds of the processors; a first one is not counted."""
    found = []
    for _ in range(REPEATS + 1):
        start = processor_seconds()
        work()
        found.append(processor_seconds() - start)
    return statistics.median(found[1:])


def make(kind: str, folder: Path, readings: int) -> tuple[Home, Path, int]:
    """Write a file of so many readings; return an empty home that can read it, the file and its rows."""
    home = Home(folder / "home").ensure()
    path = folder / f"{kind[:4]}.csv"
    rows = readings if kind == "tidy" else readings // len(load_files.WIDE)
    if kind == "tidy":
        load_files.write_tidy(path, rows)
    else:
        load_files.write_wide(path, rows)
        text = load_files.layout(begins=kind == "wide")
        (home.layouts / "bench_wide.toml").write_text(text, encoding="utf-8")
    return home, path, rows


def compare(kind: str, folder: Path, readings: int) -> None:
    """Print what one kind of file costs in each way."""
    home, path, rows = make(kind, folder, readings)
    file = folder / "bare.duckdb"

    def bare(query: str, place: str) -> None:
        file.unlink(missing_ok=True)
        with duckdb.connect(place, config={"preserve_insertion_order": False}) as connection:
            connection.execute(f"create table t as {query}")

    def load() -> None:
        shutil.rmtree(home.warehouse)
        shutil.rmtree(home.originals)
        report = ingest.load(home, [path]).files[0]
        assert report.taken, report
        assert not report.rejected, report

    def again() -> None:
        assert ingest.load(home, [path]).files[0].duplicates

    read = "from " + READ[kind[:4]].format(path=path)
    seconds = {
        "bare read as text, in memory": cost(lambda: bare(read, ":memory:")),
        "bare read as text, into a file": cost(lambda: bare(read, str(file))),
        "bare script of the same work": cost(lambda: bare(same_work(kind[:4], path), str(file))),
        "load into an empty home": cost(load),
        "the same file again": cost(again),
    }
    first, same = seconds["bare read as text, in memory"], seconds["bare script of the same work"]
    sys.stdout.write(f"{kind}: {rows:,} rows, {readings:,} readings, {path.stat().st_size / 2**20:.0f} MiB\n")
    for name, used in seconds.items():
        rates = f"{rows / used:11,.0f} rows/s {readings / used:11,.0f} readings/s"
        sys.stdout.write(
            f"  {name:32}{used:6.2f} s {rates} {used / first:6.1f} x read {used / same:6.2f} x same work\n"
        )


def peak_memory(kind: str, folder: Path, gigabytes: float) -> None:
    """Print the most memory that the load of a large file takes, children with it."""
    per_row = BYTES_A_ROW[kind[:4]] / (1 if kind == "tidy" else len(load_files.WIDE))
    home, path, _ = make(kind, folder, int(gigabytes * 1e9 / per_row))
    command = [sys.executable, "-m", "pipeline", "load", str(path), "--home", str(home.path)]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=Path(__file__).parents[2])
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    size = path.stat().st_size / 1e6
    sys.stdout.write(
        f"{kind}: {size:,.0f} MB, {used:.0f} s, at most {after.ru_maxrss / 1024:,.0f} MiB at once\n"
    )


def into_a_large_home(folder: Path, million: float) -> None:
    """Print what ten thousand new readings cost where there are many, and what they cost a second time."""
    home = Home(folder / "home").ensure()
    stored = build_speed.fill(home, million)
    path = folder / "new.csv"
    for name, seed in (("ten thousand new readings", 2), ("ten thousand more", 3)):
        load_files.write_tidy(path, 10_000 * seed)
        start = processor_seconds()
        report = ingest.load(home, [path]).files[0]
        used = processor_seconds() - start
        said = f"{report.taken:,} taken, {report.duplicates:,} there already"
        sys.stdout.write(f"{name} beside {stored:,}: {used:.2f} s, {said}\n")


def main() -> None:
    """Measure what was asked for and print it."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--rows", type=int, default=ROWS)
    asked.add_argument("--gigabytes", type=float)
    asked.add_argument("--million", type=float)
    given = asked.parse_args()
    if given.million:
        with tempfile.TemporaryDirectory() as folder:
            into_a_large_home(Path(folder), given.million)
        return
    for kind in KINDS:
        with tempfile.TemporaryDirectory() as folder:
            if given.gigabytes:
                peak_memory(kind, Path(folder), given.gigabytes)
            else:
                compare(kind, Path(folder), given.rows)


if __name__ == "__main__":
    main()
