"""Seconds that season and reader effects take per million scan levels, in fleets of four shapes.

    python -m tests.benchmarks.effects_speed

Target: below 3 s per million rows on one core.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np

from pipeline.compare.effects import fit_effects


@dataclass(frozen=True)
class Shape:
    """A fleet of about a million scan levels."""

    name: str
    vans: int
    measures: int
    months: int
    per_month: int
    family_size: int
    readers: int = 3
    missing: float = 0.15


SHAPES = (
    Shape("1,000 vans, a year of monthly scans", 1000, 100, 12, 1, 16),
    Shape("60 vans, five years of weekly scans", 60, 70, 60, 5, 12),
    Shape("60 vans, five years of monthly scans", 60, 320, 60, 1, 8),
    Shape("1,000 vans in families of three", 1000, 100, 12, 1, 3),
)


def measure_seconds(shape: Shape) -> tuple[int, float]:
    """Return rows and seconds of one fit."""
    rng = np.random.default_rng(1)
    scans = shape.months * shape.per_month
    kept = rng.random((shape.vans, scans)) >= shape.missing
    van, scan = np.nonzero(kept)
    reader = rng.integers(0, shape.readers, len(van))
    month = scan // shape.per_month

    def spread(x: np.ndarray) -> np.ndarray:
        return np.repeat(x, shape.measures)

    measure = np.tile(np.arange(shape.measures), len(van))
    level = rng.standard_normal((shape.vans, shape.measures))[spread(van), measure]
    value = level + 2 * np.cos(2 * np.pi * spread(month) / 12) + 0.5 * rng.standard_normal(len(measure))
    begin = time.perf_counter()
    fit_effects(value, spread(van), spread(month), spread(reader), measure, spread(van // shape.family_size))
    return len(value), time.perf_counter() - begin


def main() -> None:
    """Print one line per shape."""
    for shape in SHAPES:
        rows, seconds = measure_seconds(shape)
        sys.stdout.write(
            f"{shape.name:40} {rows:>9,} rows {seconds:5.2f} s {1e6 * seconds / rows:5.2f} s/million\n"
        )


if __name__ == "__main__":
    main()
