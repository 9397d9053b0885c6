"""Whether weighting comparisons by how many siblings they have finds more: `uv run python -m tests.benchmarks.weighted`.

Hypotheses that can be told are given more of the false discovery rate than those that hardly can, by what is known
before the values are seen (Genovese, Roeder and Wasserman 2006, Biometrika 93:509; Ignatiadis and others 2016, Nature
Methods 13:577): weights are (siblings ^ power), their mean being 1. The power is chosen on some fleets and counted on
others. Fleets are those of `findings` with cohorts of 4 to 24 vans; where all have the same siblings there is nothing
to weight, and scans carry nothing, since a fault there is as large as the van's own scatter makes it.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.intervals import wilson
from pipeline.compare.multiplicity import benjamini_hochberg
from tests.benchmarks.findings import MIXED
from tests.benchmarks.rivals import by_score
from tests.benchmarks.row_fleets import Kind, draw_fleet

Floats = NDArray[np.float64]
POWERS = (0.0, 0.5, 1.0, 2.0, 4.0)
FLEETS = 60


def count(kind: Kind, fleets: range) -> NDArray[np.int64]:
    """Return planted, found and false of each power, shape (fleets, powers, 3)."""
    counted = []
    for seed in fleets:
        fleet = draw_fleet(kind, seed)
        p = by_score(fleet).order
        siblings = np.broadcast_to((np.bincount(fleet.cohort) - 1)[fleet.cohort], p.shape).astype(np.float64)
        is_scored = p <= 1
        rows = []
        for power in POWERS:
            weight = siblings**power
            weight /= weight[is_scored].mean()
            q = benjamini_hochberg(np.where(is_scored, np.minimum(p / weight, 1.0), np.nan).ravel())
            told = (np.nan_to_num(q, nan=1.0) <= 0.05).reshape(p.shape)
            rows.append(
                (fleet.is_faulty.sum(), (told & fleet.is_faulty).sum(), (told & ~fleet.is_faulty).sum())
            )
        counted.append(rows)
    return np.array(counted)


def main() -> None:
    """Print recall and false discovery rate of every power, on fleets to choose by and on those held back."""
    for sigma in (4.0, 6.0):
        kind = replace(Kind(MIXED), faults=6, sigma=sigma)
        for part, fleets in {"to choose by": range(FLEETS), "held back": range(FLEETS, 2 * FLEETS)}.items():
            counted = count(kind, fleets)
            for power, (planted, found, false) in zip(
                POWERS, np.moveaxis(counted, (1, 2), (0, 1)), strict=True
            ):
                low, high = wilson(found.sum(), planted.sum())
                rate = false / np.maximum(found + false, 1)
                sys.stdout.write(
                    f"{sigma:g} sigma, {part}, weights siblings ^ {power:g}: recall {found.sum() / planted.sum():.3f} "
                    f"({low:.3f} to {high:.3f}), FDR {rate.mean():.3f} +- {1.96 * rate.std() / np.sqrt(len(rate)):.3f}\n"
                )
            sys.stdout.flush()


if __name__ == "__main__":
    main()
