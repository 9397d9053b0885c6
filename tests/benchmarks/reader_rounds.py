"""Biases of readers told where there are none, and found where there are, by how readers are used and weeks differ.

    uv run python -m tests.benchmarks.reader_rounds [--fleets 25] [--months 12]

A fleet is forty vans of one family with six readings, two scans a van a month; vans differ by 1 standard deviation, scans of
one van by 0.7. What a week (its weather, say) adds is shared by all vans read in it. The figures stand in
docs/decisions/0014-what-a-round-has-in-common.md.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.effects import fit_effects

Ints = NDArray[np.int64]
VANS, SCANS, READINGS, SCATTER = 40, 2, 6, 0.7
Layout = Callable[[np.random.Generator, Ints, Ints, Ints], tuple[Ints, Ints]]


def _in_no_order(rng: np.random.Generator, van: Ints, month: Ints, scan: Ints) -> tuple[Ints, Ints]:
    return rng.integers(4, size=len(van)), rng.integers(2, size=len(van))


def _one_after_the_other(rng: np.random.Generator, van: Ints, month: Ints, scan: Ints) -> tuple[Ints, Ints]:
    week = rng.integers(4, size=len(van))
    return week, (week >= 2).astype(np.int64)


def _in_the_last_week(rng: np.random.Generator, van: Ints, month: Ints, scan: Ints) -> tuple[Ints, Ints]:
    reader = (rng.random(len(van)) < 0.3).astype(np.int64)
    return np.where(reader == 1, 3, rng.integers(4, size=len(van))), reader


def _a_round_with_each(rng: np.random.Generator, van: Ints, month: Ints, scan: Ints) -> tuple[Ints, Ints]:
    return np.where(month % 2 == 1, 2 * scan, 2 * (1 - scan)), scan


LAYOUTS: dict[str, Layout] = {
    "in no order": _in_no_order,
    "one after the other in each month": _one_after_the_other,
    "the second in the last week, to 3 of 10 vans": _in_the_last_week,
    "a round with each, turns changing": _a_round_with_each,
}


def try_fleet(
    rng: np.random.Generator, layout: Layout, weeks: float, bias: float, months: int
) -> tuple[int, int, int]:
    """Return how many biases were tested, told (q at most 5 %), and how many intervals held the true one."""
    van, month, scan = (
        x.ravel() for x in np.meshgrid(np.arange(VANS), np.arange(months), np.arange(SCANS), indexing="ij")
    )
    week, reader = layout(rng, van, month, scan)
    shared = weeks * rng.normal(size=(months * 4, READINGS))
    value = rng.normal(size=(VANS, READINGS))[van] + shared[4 * month + week]
    value += SCATTER * rng.normal(size=value.shape) + bias * (reader == 1)[:, None]
    van, month, reader = (np.repeat(x, READINGS) for x in (van, month, reader))
    reading = np.tile(np.arange(READINGS), len(week))
    found = fit_effects(value.ravel(), van, month, reader, reading, np.zeros(len(van), np.int64)).readers
    tested = ~np.isnan(found.p)
    true = np.where(found.reader == 1, bias, -bias)
    held = (found.low <= true) & (true <= found.high)
    return int(tested.sum()), int((found.effect[tested] != 0).sum()), int(held[tested].sum())


def main() -> None:
    """Print one line a layout, weeks' difference and bias."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--fleets", type=int, default=25)
    parser.add_argument("--months", type=int, nargs="+", default=[12])
    given = parser.parse_args()
    out = sys.stdout
    out.write("| readers used | months | weeks differ by | bias | tests | told | intervals that hold |\n")
    out.write("|---|---|---|---|---|---|---|\n")
    for months in given.months:
        for name, layout in LAYOUTS.items():
            for weeks in (0.0, 0.5, 1.0):
                for bias in (0.0, 0.3, 0.6):
                    rng = np.random.default_rng(20261128)
                    tried = [try_fleet(rng, layout, weeks, bias, months) for _ in range(given.fleets)]
                    tests, told, held = np.sum(tried, axis=0)
                    out.write(
                        f"| {name} | {months} | {weeks:g} | {bias:g} | {tests} | {100 * told / tests:.0f} % |"
                        f" {100 * held / tests:.0f} % |\n"
                    )
                    out.flush()


if __name__ == "__main__":
    main()
