"""Some vans read twice on one day: the newest scans of the first reader, looked at again by a second one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from demo_warehouse.effects import make_shifts
from demo_warehouse.instants import STATES, Instants
from demo_warehouse.observations import PREFIX, Observations, make_reading_table, versions_of
from demo_warehouse.physics import Physics
from demo_warehouse.register import Exposure
from demo_warehouse.scenario import Scenario
from demo_warehouse.schedule import READERS, Floats, Ints, Scans
from demo_warehouse.streams import stream

_RESTLESS = 0.3  # of a scan's own wander: the engine has idled on for a while between the two looks; invented


@dataclass(frozen=True)
class Looks:
    """What the readers saw, with the second looks at the end of each table."""

    seen: Observations
    codes: pl.DataFrame
    modules: pl.DataFrame


def choose_scans(scenario: Scenario, physics: Physics) -> Ints:
    """Return the numbers of the scans looked at twice: each van's newest by the first reader."""
    plan, found = scenario.second_look, []
    names = np.array([v.van for v in physics.vans])[physics.scans.van]
    is_first = physics.scans.reader == READERS.index(plan.first)
    for van in plan.vans:
        found += np.flatnonzero((names == van) & is_first)[-plan.times :].tolist()
    return np.array(sorted(found), dtype=np.int64)


def _again(scans: Scans, chosen: Ints, reader: str, minutes: int) -> Scans:
    """Return the chosen scans as taken by another reader some minutes later."""
    picked = Scans(**{name: values[chosen] for name, values in vars(scans).items()})
    return replace(
        picked,
        reader=np.full(len(chosen), READERS.index(reader), dtype=np.int64),
        started=picked.started + np.timedelta64(60 * minutes, "s"),
    )


def _read_again(
    scenario: Scenario, physics: Physics, instants: Instants, readings: Mapping[str, Floats], rows: Ints
) -> dict[str, Floats]:
    """Return the readings of these rows once more: the same van, a little later."""
    models = [v.model_key for v in physics.vans]
    van = physics.scans.van[instants.scan[rows]]
    again = {}
    for parameter, values in readings.items():
        values = values[rows].copy()
        rng = stream(physics.seed, "second look", parameter)
        by_scan, by_row = rng.standard_normal(len(physics.scans)), rng.standard_normal(len(rows))
        for place, (v, state) in enumerate(zip(van, instants.state[rows], strict=True)):
            level = (
                scenario.level(parameter, STATES[state], models[v])
                if parameter in scenario.parameters
                else None
            )
            if level is not None:
                wander = _RESTLESS * level.scan_sd * by_scan[instants.scan[rows[place]]]
                values[place] += wander + level.row_sd * by_row[place]
        again[parameter] = values
    return again


def look_again(
    scenario: Scenario,
    physics: Physics,
    exposures: Sequence[Exposure],
    instants: Instants,
    readings: Mapping[str, Floats],
    first: Looks,
) -> Looks:
    """Add the second looks to what the readers saw; nothing that was there before changes.

    Parameters
    ----------
    readings : mapping of str to ndarray
        Canonical values of every instant, readers' biases not in.
    first : Looks
        What was seen, without second looks.
    """
    plan = scenario.second_look
    chosen = choose_scans(scenario, physics)
    rows = np.flatnonzero(np.isin(instants.scan, chosen) & ~instants.is_cold)
    scans = _again(physics.scans, chosen, plan.second, plan.minutes_later)
    place = np.searchsorted(chosen, instants.scan[rows])
    later = replace(Instants(**{k: v[rows] for k, v in vars(instants).items()}), scan=place)
    looking = Physics(
        scenario, physics.vans, scans, make_shifts(scenario, physics.vans, exposures, scans), physics.seed
    )
    values = _read_again(scenario, physics, instants, readings, rows)
    shown = make_reading_table(scenario, looking, later, values).with_columns(
        pl.col("scan") + len(physics.scans), pl.col("instant") + len(instants)
    )
    renumbered = pl.DataFrame({"scan": chosen, "again": np.arange(len(chosen)) + len(physics.scans)})
    taken = first.seen.scans.join(renumbered, on="scan", maintain_order="right")
    ids = [f"{PREFIX[plan.second]}9{n:04d}" for n in range(1, len(chosen) + 1)]
    taken = taken.with_columns(
        pl.col("local_at") + pl.duration(minutes=plan.minutes_later),
        pl.lit(plan.second).alias("reader"),
        pl.Series("scan_id", ids),
        # the battery has not rested between the two looks
        pl.lit(None, pl.Float64).alias("rest_v"),
    )
    taken = taken.with_columns(
        pl.Series("reader_version", versions_of(scenario, plan.second, taken["local_at"])),
        pl.col("again").cast(first.seen.scans["scan"].dtype).alias("scan"),
    ).select(first.seen.scans.columns)
    return Looks(
        Observations(pl.concat([first.seen.scans, taken]), pl.concat([first.seen.readings, shown])),
        pl.concat([first.codes, _standing(scenario, first.codes, renumbered)]),
        pl.concat([first.modules, _asked(scenario, first.modules, renumbered)]),
    )


def _standing(scenario: Scenario, codes: pl.DataFrame, renumbered: pl.DataFrame) -> pl.DataFrame:
    """Return the codes that stood at the first look, as far as the second reader asks their modules."""
    asked = list(scenario.readers[scenario.second_look.second].modules)
    return (
        codes.filter(pl.col("module").is_in(asked))
        .join(renumbered, on="scan", maintain_order="left")
        .with_columns(pl.col("again").alias("scan"))
        .select(codes.columns)
        .sort("scan", "module", "code")
    )


def _asked(scenario: Scenario, modules: pl.DataFrame, renumbered: pl.DataFrame) -> pl.DataFrame:
    """Return the modules that answered the second reader, and those it asked in vain."""
    asked = scenario.readers[scenario.second_look.second].modules

    def kept(column: str) -> pl.Expr:
        parts = pl.col(column).str.split(";").list
        return parts.eval(pl.element().filter(pl.element().is_in(list(asked)))).list.join(";")

    return (
        modules.join(renumbered, on="scan", maintain_order="right")
        .with_columns(pl.col("again").alias("scan"), kept("modules"), kept("modules_silent"))
        .select(modules.columns)
    )
