"""How far before and after a reader's update scans should count: windows at the same false rate, on fleets held back.

Part of `reader_updates`. For each window the bar of q is set on quiet fleets so that one fleet in twenty tells a step;
what is found is then counted on other fleets, and the false rate checked on others again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.build.effects import fit_months
from pipeline.build.reader_updates import judge
from pipeline.compare.intervals import wilson
from pipeline.settings import Settings
from tests.benchmarks.update_fleets import SHIFTED, Fleet, draw_fleet, name_software

Floats = NDArray[np.float64]
WINDOWS = (90, 180, 365)
QUIET_SHARE = 0.05
CHOSEN_ON, HELD_BACK, COUNTED_ON = 10_000, 20_000, 30_000  # first number of the fleets of each part


def least_q(kind: Fleet, seed: int) -> Floats:
    """Return the smallest q of the fleet's readings, or that of the moved one; shape (windows,), 1 where not judged."""
    levels = draw_fleet(kind, seed).levels
    first = fit_months(levels)
    adjusted = replace(levels, value=levels.value - first.season - first.bias)
    found = []
    for days in WINDOWS:
        judged = judge(adjusted, Settings(), days)
        if kind.shift:
            is_first = pl.col("reader_version") == name_software(kind.updates[0][0], 1)
            judged = judged.filter((pl.col("parameter") == str(SHIFTED)) & is_first)
        found.append(np.nanmin(judged["q"].fill_null(1.0).to_numpy(), initial=1.0))
    return np.array(found)


def set_bars(kinds: list[Fleet], fleets: int) -> tuple[Floats, Floats]:
    """Return the bar of q of each window, and the share of quiet fleets held back in which it tells a step."""
    parts = [
        np.array([least_q(kind, first + n) for kind in kinds for n in range(fleets)])
        for first in (CHOSEN_ON, HELD_BACK)
    ]
    bars = np.quantile(parts[0], QUIET_SHARE, axis=0, method="lower")
    return bars, np.mean(parts[1] <= bars, axis=0)


def write_windows(
    fleets: int, quiet: dict[str, Fleet], moved: dict[str, Fleet], sizes: tuple[float, ...]
) -> Iterator[str]:
    """Yield the table of what each window finds, as Markdown."""
    bars, false = set_bars(list(quiet.values()), fleets)
    n = fleets * len(quiet)
    yield f"| updates that moved one reading | by | {' | '.join(f'{days} days' for days in WINDOWS)} |"
    yield "|---" * (2 + len(WINDOWS)) + "|"
    said = []
    for share in false:
        low, high = wilson(round(share * n), n)
        said.append(f"{100 * share:.1f} % ({100 * float(low):.1f} to {100 * float(high):.1f})")
    yield f"| none: quiet fleets held back that tell a step, n {n} | | {' | '.join(said)} |"
    for name, kind in moved.items():
        for size in sizes:
            q = np.array([least_q(replace(kind, shift=size), COUNTED_ON + n) for n in range(fleets)])
            said = []
            for hits in (q <= bars).sum(axis=0):
                low, high = wilson(int(hits), fleets)
                said.append(
                    f"{100 * hits / fleets:.0f} % ({100 * float(low):.0f} to {100 * float(high):.0f})"
                )
            yield f"| {name} | {size:g} | {' | '.join(said)} |"
