"""What is planted: for every scan, by how much each cell is moved, in van-to-van sd."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.register import Exposure, Van
from demo_warehouse.scenario import Scenario
from demo_warehouse.schedule import READERS, Floats, Scans
from demo_warehouse.story import Effect

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Shift:
    """One planted cell: which scans it moves, and by how many van-to-van sd on each."""

    effect: Effect
    parameter: str
    state: str
    size: Floats
    is_reader: bool


def day_number(scenario: Scenario, day: date | None, default: int) -> int:
    """Count days from the story's first; `default` where no day is given."""
    return default if day is None else (day - scenario.firm.first_day).days


def mark_exposed(
    scenario: Scenario,
    vans: Sequence[Van],
    exposures: Sequence[Exposure],
    scans: Scans,
    attribute: str,
    value: str,
) -> Bools:
    """Return which scans fell while their van was under the condition."""
    place = {v.van: i for i, v in enumerate(vans)}
    marked = np.zeros(len(scans), dtype=bool)
    for row in exposures:
        if (row.attribute, row.value) == (attribute, value):
            low = day_number(scenario, row.since, 0)
            high = day_number(scenario, row.until, scenario.firm.days)
            marked |= (scans.van == place[row.van]) & (scans.day >= low) & (scans.day < high)
    return marked


def _mark_subject(
    scenario: Scenario, vans: Sequence[Van], exposures: Sequence[Exposure], scans: Scans, effect: Effect
) -> Bools:
    """Return the scans of the van, cohort, reader or exposure an effect names."""
    if effect.van or effect.cohort:
        named = [effect.van in (None, v.van) and effect.cohort in (None, v.cohort) for v in vans]
        return np.array(named, dtype=bool)[scans.van]
    if effect.reader:
        return np.equal(scans.reader, READERS.index(effect.reader), dtype=bool)
    return mark_exposed(scenario, vans, exposures, scans, str(effect.attribute), str(effect.level))


def make_shifts(
    scenario: Scenario, vans: Sequence[Van], exposures: Sequence[Exposure], scans: Scans
) -> tuple[Shift, ...]:
    """Turn the scenario's effects into sizes per scan (0 where the effect does not hold)."""
    shifts = []
    for effect in scenario.effects:
        if effect.sigma is None or effect.parameter is None:
            continue
        start = day_number(scenario, effect.since, 0)
        end = day_number(scenario, effect.until, scenario.firm.days)
        holds = _mark_subject(scenario, vans, exposures, scans, effect)
        holds &= (scans.day >= start) & (scans.day < end)
        share = (scans.day - start) / (end - start) if effect.shape == "ramp" else np.ones(len(scans))
        for cell in effect.cells():
            size = np.where(holds, share * cell.sigma, 0.0)
            shifts.append(Shift(effect, cell.parameter, cell.state, size, bool(effect.reader)))
    return tuple(shifts)
