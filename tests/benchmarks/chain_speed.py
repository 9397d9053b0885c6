"""How long the commands take from their start to the published result: all models, all statistics.

    python tests/benchmarks/chain_speed.py [MILLION_READINGS] [--vans N] [--instants N] [--folder DIR] [--steps]

Fills the home of an invented fleet (build_speed.py says how), then runs the commands a person runs, each in a process
of its own: a full build, a build with nothing new, and three times each the files of one new scan put into the inbox,
loaded, scored and published, by two commands and by one. Prints seconds on the clock and of the processors and the
largest memory of each; `--steps` loads and builds seven more scans in this process, where all is imported, and adds
how long each of the dearest tables took, two at a time. A folder that was filled before is used as it is.

    python tests/benchmarks/chain_speed.py 20                             # 60 vans, five years of weekly scans
    python tests/benchmarks/chain_speed.py 17 --vans 1000 --instants 16   # 1,000 vans, one year
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
from pipeline import ingest
from pipeline.build.run import build
from pipeline.settings import Home
from pipeline.warehouse import raw
from tests.benchmarks.build_speed import INSTANTS, VANS, fill

ROOT = Path(__file__).parents[2]
DEAREST = 25
SCANS_HERE = 7


def run(name: str, home: Home, *command: str) -> None:
    """Run a command of the pipeline in a process of its own and print what it took."""
    started = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline", *command, "--home", str(home.path)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdout
    said = process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)
    clock = time.perf_counter() - started
    if status:
        raise SystemExit(f"{name} failed:\n{said}")
    sys.stdout.write(
        f"{name:28s}{clock:8.2f} s clock{used.ru_utime + used.ru_stime:8.2f} s processors"
        f"{used.ru_maxrss / 1024:8.0f} MB   {said.strip().splitlines()[-1]}\n"
    )
    sys.stdout.flush()


def put_scan_in_inbox(home: Home) -> None:
    """Write the two files a reader would leave of one scan of van 007: its row, and the readings of an old scan again."""
    with raw.open_work(home) as connection:
        newest, batch = connection.execute(
            "select max(scanned_at), max(batch_id) + 1 from raw.scans"
        ).fetchall()[0]
        rows = connection.execute("""
            select epoch(r."at") - min(epoch(r."at")) over (), r.parameter, r.value, p.unit
            from raw.readings as r join vocab.parameters as p on r.parameter = p.parameter
            where r.scan_id = 's-7-0' order by all""").fetchall()
    at = newest + dt.timedelta(hours=1)
    scan = f"f-{at:%Y%m%dT%H%M}"
    (home.inbox / f"scans_{batch}.csv").write_text(
        f"scan_id,van,reader,scanned_at\n{scan},007,Blue handheld,{at.isoformat()}\n", "utf-8"
    )
    lines = [
        f"{scan},{(at + dt.timedelta(seconds=seconds)).isoformat()},{parameter},{value},{unit or ''}"
        for seconds, parameter, value, unit in rows
    ]
    (home.inbox / f"readings_{batch}.csv").write_text(
        "\n".join(["scan_id,at,parameter,value,unit", *lines]) + "\n", "utf-8"
    )


def print_steps(home: Home, scans: int) -> None:
    """Load and build scans here, one after another, as `load --build` does; print what each took, and its tables last.

    The first pays for what runs for the first time in a process.
    """
    for _ in range(scans):
        put_scan_in_inbox(home)
        started, before = time.perf_counter(), time.process_time()
        with ingest.open_store(home) as store:
            ingest.load(home, [home.inbox], store=store)
            loaded = time.perf_counter() - started
            steps = build(home, store=store).steps
        clock, cpu = time.perf_counter() - started, time.process_time() - before
        sys.stdout.write(
            f"here: load and build {clock:.2f} s clock (load {loaded:.2f}), {cpu:.2f} s processors\n"
        )
    for step in sorted(steps, key=lambda s: -s.seconds)[:DEAREST]:
        sys.stdout.write(f"{step.seconds:8.2f} s clock, beside another  {step.name}\n")


def main() -> None:
    """Fill, time, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("million", nargs="?", type=float, default=2.0)
    parser.add_argument("--vans", type=int, default=VANS)
    parser.add_argument("--instants", type=int, default=INSTANTS)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--steps", action="store_true")
    given = parser.parse_args()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="kinbay-chain-"))
    home = Home(folder).ensure()
    if not home.work_db.exists():
        readings = fill(home, given.million, given.vans, given.instants)
        sys.stdout.write(f"{readings:,} readings of {given.vans} vans\n")
    run("full build", home, "build", "--full")
    run("nothing new", home, "build")
    for _ in range(3):
        put_scan_in_inbox(home)
        run("one scan: load", home, "load")
        run("one scan: score, publish", home, "build")
    for _ in range(3):
        put_scan_in_inbox(home)
        run("one scan: load --build", home, "load", "--build")
    if given.steps:
        print_steps(home, SCANS_HERE)
    if not given.folder:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
