"""The rows of each scan: key on with engine off, a while at idle, sometimes a stretch of steady road."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.schedule import READERS, Floats, Ints, Scans
from demo_warehouse.streams import stream

STATES = ("engine_off", "warm_idle", "steady_cruise")

# What each reader's routine records: rows at idle, chance of a drive, chance that the engine came cold.
# Invented for the demo. Idle rows come 15 s, road rows 10 s apart, so that none carries into the next.
_IDLE_ROWS = {"bench": 5, "handheld": 4, "tablet": 4}
_DRIVE_CHANCE = {"bench": 0.40, "handheld": 0.0, "tablet": 0.55}
_COLD_CHANCE = 0.2
_ROAD_ROWS = 3
_COLD_ROWS = 2


@dataclass(frozen=True)
class Instants:
    """One row per instant, in order of scan and time.

    `state` counts into STATES; rows while warming up carry warm_idle's levels and `is_cold`. `offset_s`
    counts from the scan's start, `run_time_s` from the engine's; speed in km/h, pedal in %.
    """

    scan: Ints
    state: Ints
    is_cold: NDArray[np.bool_]
    offset_s: Ints
    run_time_s: Floats
    vehicle_speed_kmh: Floats
    pedal_pct: Floats
    first_coolant_c: Floats

    def __len__(self) -> int:
        return len(self.scan)


def _block(
    scans: Ints, rows: int, state: str, first_s: Ints, step_s: int, *, is_cold: bool = False
) -> Floats:
    """Return rows of (scan, state, is_cold, offset) for the scans given, `rows` to each."""
    scan = np.repeat(scans, rows)
    offset = np.repeat(first_s, rows) + step_s * np.tile(np.arange(rows), len(scans))
    fixed = np.full((2, len(scan)), [[STATES.index(state)], [float(is_cold)]])
    return np.column_stack([scan, fixed.T, offset])


def make_instants(scans: Scans, seed: int) -> Instants:
    """Lay out every instant of every scan."""
    rng = stream(seed, "instants")
    number = np.arange(len(scans))
    came_cold = rng.random(len(scans)) < _COLD_CHANCE
    drives = rng.random(len(scans)) < np.array([_DRIVE_CHANCE[r] for r in READERS])[scans.reader]
    speed = rng.uniform(45, 85, len(scans))
    coolant = scans.ambient_c + np.where(
        came_cold, rng.uniform(2, 6, len(scans)), rng.uniform(25, 50, len(scans))
    )
    idle_from = np.where(came_cold, 900, 345)
    blocks = [
        _block(number, 1, "engine_off", np.zeros(len(scans), dtype=np.int64), 1),
        _block(number[came_cold], _COLD_ROWS, "warm_idle", np.full(came_cold.sum(), 80), 40, is_cold=True),
        _block(number[drives], _ROAD_ROWS, "steady_cruise", idle_from[drives] + 400, 10),
    ]
    for reader, rows in _IDLE_ROWS.items():
        mine = number[scans.reader == READERS.index(reader)]
        blocks.append(_block(mine, rows, "warm_idle", idle_from[mine], 15))
    table = np.concatenate(blocks)
    table = table[np.lexsort((table[:, 3], table[:, 0]))]
    scan, state, offset = (table[:, i].astype(np.int64) for i in (0, 1, 3))
    on_road = state == STATES.index("steady_cruise")
    wobble = rng.normal(0, 0.6, len(scan))
    return Instants(
        scan=scan,
        state=state,
        is_cold=table[:, 2] > 0,
        offset_s=offset,
        run_time_s=np.maximum(0, offset - 20).astype(float),
        vehicle_speed_kmh=np.where(on_road, speed[scan] + wobble, 0.0),
        pedal_pct=np.where(on_road, 18 + 0.25 * (speed[scan] - 65) + wobble, 0.0),
        first_coolant_c=coolant[scan],
    )
