"""The codes that stand on each scan, from habits of vans, cohorts and yards, and one storm after a long stand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from demo_warehouse.effects import Bools, day_number, mark_exposed
from demo_warehouse.physics import Physics
from demo_warehouse.register import Exposure
from demo_warehouse.scenario import Scenario
from demo_warehouse.schedule import READERS
from demo_warehouse.story import CodeHabit, Storm
from demo_warehouse.streams import stream

SCHEMA = {
    "scan": pl.Int64,
    "module": pl.String,
    "code": pl.String,
    "status": pl.String,
    "lamp": pl.String,
    "text": pl.String,
    "ff_engine_speed": pl.Int64,
    "ff_supply_voltage": pl.Float64,
}


def modules_answering(scenario: Scenario, physics: Physics) -> tuple[list[list[str]], list[list[str]]]:
    """Return for every scan the modules that answered and those asked in vain."""
    names = [physics.vans[i].van for i in physics.scans.van]
    heard, silent = [], []
    for van, day, reader in zip(names, physics.scans.day, physics.scans.reader, strict=True):
        asked = scenario.readers[READERS[reader]].modules
        dead = {s.module for s in scenario.silent if s.van == van and day >= day_number(scenario, s.since, 0)}
        heard.append([m for m in asked if m not in dead])
        silent.append([m for m in asked if m in dead])
    return heard, silent


def _stands(
    scenario: Scenario, physics: Physics, exposures: Sequence[Exposure], habit: CodeHabit, number: int
) -> Bools:
    """Return the scans on which one habit's code stands, covered or not."""
    scans = physics.scans
    names = np.array([v.van for v in physics.vans])[scans.van]
    if habit.everywhere:
        mine = np.ones(len(scans), dtype=bool)
    elif habit.exposure:
        mine = mark_exposed(scenario, physics.vans, exposures, scans, *habit.exposure)
    else:
        mine = np.isin(names, habit.vans)
    mine &= scans.day >= day_number(scenario, habit.since, 0)
    for low, high in habit.absent:
        mine &= (scans.day < day_number(scenario, low, 0)) | (scans.day > day_number(scenario, high, 0))
    return mine & (stream(physics.seed, "code", str(number)).random(len(scans)) < habit.chance)


def make_codes(scenario: Scenario, physics: Physics, exposures: Sequence[Exposure]) -> pl.DataFrame:
    """Return one row per scan, module and code; only modules that answered give codes."""
    heard, _ = modules_answering(scenario, physics)
    frames = []
    for number, habit in enumerate(scenario.codes):
        covered = np.array([habit.module in modules for modules in heard])
        scan = np.flatnonzero(_stands(scenario, physics, exposures, habit, number) & covered)
        rng = stream(physics.seed, "freeze", str(number))
        frames.append(
            pl.DataFrame(
                {
                    "scan": scan,
                    "module": habit.module,
                    "code": habit.code,
                    "status": habit.status,
                    "lamp": habit.lamp or "no",
                    "text": habit.text,
                    "ff_engine_speed": rng.integers(80, 230, len(scan)) * 10,
                    "ff_supply_voltage": rng.normal(14.1, 0.12, len(scan)).round(2),
                },
                schema=SCHEMA,
            )
        )
    frames.append(_storm_codes(scenario.storm, int(np.flatnonzero(physics.scans.is_storm)[0])))
    return pl.concat(frames).sort("scan", "module", "code")


def _storm_codes(storm: Storm, scan: int) -> pl.DataFrame:
    """Return the storm's rows: engine standing, supply far too low."""
    modules, codes = zip(*storm.codes, strict=True)
    return pl.DataFrame(
        {
            "scan": scan,
            "module": list(modules),
            "code": list(codes),
            "status": "stored",
            "lamp": "no",
            "text": "",
            "ff_engine_speed": 0,
            "ff_supply_voltage": storm.freeze_voltage_v,
        },
        schema=SCHEMA,
    )
