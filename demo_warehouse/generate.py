"""Make the demo fleet: a folder of files as three readers and one office would have left them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from demo_warehouse import bench_files, handheld_files, layouts, tablet_files, yard_files
from demo_warehouse.codes import make_codes, modules_answering
from demo_warehouse.effects import make_shifts
from demo_warehouse.instants import make_instants
from demo_warehouse.observations import Observations, make_observations
from demo_warehouse.physics import Physics, make_readings
from demo_warehouse.register import Exposure, make_exposures, make_vans
from demo_warehouse.scenario import Scenario, read_scenario
from demo_warehouse.schedule import make_scans
from demo_warehouse.second_looks import Looks, look_again
from demo_warehouse.story import Effect

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class DemoFile:
    """One file written: its place inside the folder, what it holds, how many lines."""

    name: str
    holds: str
    rows: int


@dataclass(frozen=True)
class DemoFleet:
    """What was made: files in the order written, counts, and every planted effect with what to expect of it."""

    folder: Path
    seed: int
    data_date: date
    files: tuple[DemoFile, ...]
    effects: tuple[Effect, ...]
    n_vans: int
    n_scans: int
    n_readings: int
    n_codes: int


@dataclass(frozen=True)
class Simulation:
    """The fleet before it is written down."""

    scenario: Scenario
    physics: Physics
    exposures: tuple[Exposure, ...]
    seen: Observations
    codes: pl.DataFrame
    modules: pl.DataFrame


def simulate(seed: int | None = None) -> Simulation:
    """Make the fleet in memory.

    Parameters
    ----------
    seed : int, optional
        Another fleet of the same story; by default the scenario's own seed.
    """
    scenario = read_scenario()
    chosen = scenario.firm.seed if seed is None else seed
    vans, exposures = make_vans(scenario, chosen), make_exposures(scenario, chosen)
    scans = make_scans(scenario, vans, chosen)
    instants = make_instants(scans, chosen)
    physics = Physics(scenario, vans, scans, make_shifts(scenario, vans, exposures, scans), chosen)
    readings = make_readings(physics, instants)
    heard, silent = modules_answering(scenario, physics)
    modules = pl.DataFrame(
        {
            "scan": range(len(scans)),
            "modules": [";".join(one) for one in heard],
            "modules_silent": [";".join(one) for one in silent],
        }
    )
    once = Looks(
        make_observations(scenario, physics, instants, readings),
        make_codes(scenario, physics, exposures),
        modules,
    )
    twice = look_again(scenario, physics, exposures, instants, readings, once)
    return Simulation(scenario, physics, exposures, **vars(twice))


def _yard(made: Simulation) -> Iterator[tuple[str, str, int, bytes]]:
    tables = {
        "register": yard_files.make_register(made.scenario, made.physics),
        "exposures": yard_files.make_exposure_list(made.exposures),
        "work": yard_files.make_work_list(made.scenario, made.physics),
        "notes": yard_files.make_note_list(made.scenario),
    }
    for table, rows in tables.items():
        yield f"{table}.csv", table, len(rows), _tidy(made.scenario, table, rows, is_last=True)


def _tidy(scenario: Scenario, table: str, rows: pl.DataFrame, *, is_last: bool) -> bytes:
    """Return a tidy file's bytes; the table's last file ends with the scenario's spoilt lines."""
    text = rows.with_columns(pl.col(pl.String).replace("", None)).write_csv(quote_style="necessary")
    spoilt = [one.line for one in scenario.malformed if one.table == table] if is_last else []
    return (text + "".join(f"{line}\n" for line in spoilt)).encode("utf-8")


def _bench(made: Simulation) -> Iterator[tuple[str, str, int, bytes]]:
    readings = bench_files.make_bench_readings(made.scenario, made.seen)
    tables = {
        "scans": bench_files.make_bench_scans(made.scenario, made.seen, made.modules),
        "readings": readings,
        "codes": bench_files.make_bench_codes(made.seen, made.codes),
    }
    for table, rows in tables.items():
        parts = list(bench_files.cut_periods(rows))
        for place, (month, part) in enumerate(parts, 1):
            content = _tidy(made.scenario, table, part, is_last=place == len(parts))
            yield f"bench_{table}_{month}.csv", table, len(part), content
    copy, scan_id = bench_files.make_conflicting_copy(made.scenario, made.seen, readings)
    yield f"bench_readings_{scan_id}_again.csv", "readings", len(copy), copy.write_csv().encode("utf-8")


def _handheld(made: Simulation) -> Iterator[tuple[str, str, int, bytes]]:
    rows = handheld_files.make_handheld_rows(made.scenario, made.seen, made.codes, made.physics.seed)
    months = list(handheld_files.cut_months(rows))
    for month, part in months:
        yield f"H2_{month}.csv", "handheld", len(part), handheld_files.write_handheld(part)
    month, part = months[len(months) // 2]
    wanted = part["Messung"].unique(maintain_order=True)[: made.scenario.disorder.duplicate_scans]
    twice = part.filter(pl.col("Messung").is_in(wanted.implode()))
    yield f"H2_{month} (2).csv", "handheld", len(twice), handheld_files.write_handheld(twice)


def _tablet(made: Simulation) -> Iterator[tuple[str, str, int, bytes]]:
    rows = tablet_files.make_tablet_rows(made.scenario, made.seen, made.codes, made.modules)
    for month, part in bench_files.cut_periods(rows, tablet_files.PERIODS):
        yield f"tablet_{month}.tsv", "tablet", len(part), tablet_files.write_tablet(part)


def generate(folder: Path, seed: int | None = None, progress: Progress | None = None) -> DemoFleet:
    """Write the demo fleet into `folder`: `inbox/`, `layouts/` and `fleet.toml`.

    Parameters
    ----------
    folder : Path
        Made where it is missing; files of the same names are overwritten, others are left alone.
    seed : int, optional
        Another fleet of the same story; by default the scenario's own. The same seed gives the same bytes.
    progress : callable, optional
        Called with what is being done, steps done and steps in all.

    Returns
    -------
    DemoFleet
        Files, counts and the planted effects with what to expect of each.
    """
    tell = progress or (lambda *_: None)
    parts = {"the yard's lists": _yard, "bench reader": _bench, "handheld": _handheld, "yard tablet": _tablet}
    tell("vans and scans", 0, len(parts) + 1)
    made = simulate(seed)
    for name in ("inbox", "layouts"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    files: list[DemoFile] = []
    for done, (label, write) in enumerate(parts.items(), 1):
        tell(label, done, len(parts) + 1)
        for name, holds, rows, content in write(made):
            (folder / "inbox" / name).write_bytes(content)
            files.append(DemoFile(f"inbox/{name}", holds, rows))
    for name, text in (
        ("handheld_h2", layouts.describe_handheld(made.scenario)),
        ("yard_tablet", layouts.describe_tablet(made.scenario)),
    ):
        (folder / "layouts" / f"{name}.toml").write_text(text, encoding="utf-8")
        files.append(DemoFile(f"layouts/{name}.toml", "layout", text.count("\n")))
    yard_files.write_fleet_settings(made.scenario, folder / "fleet.toml")
    files.append(DemoFile("fleet.toml", "settings", 2))
    tell("written", len(parts) + 1, len(parts) + 1)
    return DemoFleet(
        folder=folder,
        seed=made.physics.seed,
        data_date=made.scenario.firm.data_date,
        files=tuple(files),
        effects=made.scenario.effects,
        n_vans=len(made.physics.vans),
        n_scans=len(made.seen.scans),
        n_readings=len(made.seen.readings),
        n_codes=len(made.codes),
    )
