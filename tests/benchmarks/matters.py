"""One matter or several comparisons: what paying per matter does where a fault shows in three operating states.

    python -m tests.benchmarks.matters [fleets a setting]

Every fleet has 6 readings in 3 states on about 80 vans; a van's own level in one state goes along with that in another
(correlation 0.5 or 0.8). Four faults a fleet, on all three states or on one. A matter is one van and one reading; it
counts as named where any of its states is a finding. Columns: recall, false matters a fleet, mean share of named
matters that are false, with 1.96 standard errors; first Benjamini-Hochberg over comparisons, then as shipped.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.score import Cells, NullTables, Rules, score_cells

READINGS, STATES, FAULTS = 6, 3, 4
NOISE = 0.5
FLEETS = {
    "4 siblings": (5,) * 16,
    "8 siblings": (9,) * 9,
    "16 siblings": (17,) * 5,
    "mixed": (4, 5, 6, 7, 9, 11, 14, 24),
}


@dataclass(frozen=True)
class Fault:
    """Size of a fault in sd between vans and in how many states it shows."""

    sigma: float
    states: int


def draw(
    seed: int, cohorts: tuple[int, ...], correlation: float, fault: Fault
) -> tuple[Cells, NDArray[np.bool_]]:
    """Return the cells of a fleet, matters numbered, and the faulty matters, shape (READINGS, vans)."""
    rng = np.random.default_rng([9, seed])
    cohort = np.repeat(np.arange(len(cohorts)), cohorts)
    vans, measures = len(cohort), READINGS * STATES
    scans = rng.integers(4, 21, vans)
    shared = rng.standard_normal((READINGS, 1, vans))
    own = rng.standard_normal((READINGS, STATES, vans))
    y = np.sqrt(correlation) * shared + np.sqrt(1 - correlation) * own
    y += rng.standard_normal(y.shape) * np.sqrt(NOISE / scans)
    is_faulty = np.zeros((READINGS, vans), dtype=bool)
    is_faulty.ravel()[rng.choice(is_faulty.size, FAULTS, replace=False)] = True
    side = rng.choice((-1.0, 1.0), (READINGS, 1, vans))
    shows = np.arange(STATES)[None, :, None] < fault.states
    y += is_faulty[:, None, :] * shows * side * fault.sigma * np.sqrt(1 + NOISE / scans)
    measure = np.repeat(np.arange(measures), vans)
    unknown = np.full(measures, np.nan)
    cells = Cells(
        measure=measure,
        group=measure * len(cohorts) + np.tile(cohort, measures),
        y=y.ravel(),
        m=np.tile(scans.astype(float), measures),
        w2=np.full(measures, NOISE),
        resolution=unknown,
        smallest_useful=unknown,
        matter=(measure // STATES) * vans + np.tile(np.arange(vans), measures),
    )
    return cells, is_faulty


def count(seed: int, cohorts: tuple[int, ...], correlation: float, fault: Fault) -> list[list[int]]:
    """Return planted, found and false matters, paid for per comparison and per matter."""
    cells, is_faulty = draw(seed, cohorts, correlation, fault)
    counted = []
    for given in (replace(cells, matter=None), cells):
        tier = score_cells(given, NullTables.load(), Rules()).tier
        named = (tier == 0).reshape(READINGS, STATES, -1).any(axis=1)
        counted.append([FAULTS, int((named & is_faulty).sum()), int((named & ~is_faulty).sum())])
    return counted


def main() -> None:
    """Print every setting."""
    fleets = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for name, cohorts in FLEETS.items():
        for correlation in (0.5, 0.8):
            for fault in (Fault(4, 3), Fault(6, 3), Fault(6, 1)):
                counts = np.array([count(seed, cohorts, correlation, fault) for seed in range(fleets)])
                told = []
                for planted, found, false in counts.transpose(1, 2, 0):
                    share = false / np.maximum(found + false, 1)
                    error = 1.96 * share.std() / np.sqrt(fleets)
                    told.append(
                        f"{found.sum() / planted.sum():.2f} {false.mean():.2f} {share.mean():.3f} +- {error:.3f}"
                    )
                sys.stdout.write(
                    f"{name:12s} correlation {correlation} {fault.sigma:.0f} sigma in {fault.states}:  {'   |   '.join(told)}\n"
                )
                sys.stdout.flush()


if __name__ == "__main__":
    main()
