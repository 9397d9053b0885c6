"""Type I error, recall and speed of the drift test, on seeded fleets: `uv run python -m tests.benchmarks.drift`.

The monthly differences are made as `int_sibling_months` makes them: each van's month less its own median, less the
median of that over its siblings in the same month.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.build.drifts import RANKS_AGREE
from pipeline.compare.drift import follow
from pipeline.compare.multiplicity import adjust_by_matter, benjamini_hochberg
from pipeline.compare.serial import fit_lines, serial_correlation
from pipeline.compare.slopes import judge_slopes

Floats = NDArray[np.float64]
SEED = 20261127


@dataclass(frozen=True)
class Fleet:
    """Shape of a fleet: cohorts of `vans` vans, `cells` readings, `months` months of which some have no scan.

    `rho` is the correlation of a month with the next, `season` and `shared` what all siblings do, `paces` the sd of what
    healthy vans climb over the whole time, `unlike` the sd of the logarithm of the vans' scatter; with `tails` scans
    scatter as Student's t with so many degrees of freedom; `odd` is the share of scans that are five times as far off.
    """

    vans: int = 8
    cohorts: int = 8
    cells: int = 20
    months: int = 18
    missing: float = 0.2
    rho: float = 0.0
    season: float = 0.0
    shared: float = 0.0
    paces: float = 0.0
    unlike: float = 0.0
    tails: int = 0
    odd: float = 0.0


@dataclass(frozen=True)
class Ways:
    """p-values of one fleet, shape (cohorts, cells, vans), nan with fewer than eight months.

    `slope` and `ranks` are what the build uses; the ranks alone are what it used before.
    """

    slope: Floats
    ranks: Floats

    def told(self, states: int = 1) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Cells told by the slope that the ranks bear out, and by the ranks alone, at a false discovery rate of 5 %.

        `states` neighbouring cells are one matter of a van.
        """
        kept = ~np.isnan(self.slope)
        cohorts, cells, vans = self.slope.shape
        matter = np.arange(cohorts)[:, None, None] * 10**6 + np.arange(vans) * 10**3
        matter = (matter + (np.arange(cells) // states)[None, :, None])[kept]
        by_slope, by_ranks = np.zeros((2, *kept.shape), dtype=bool)
        by_slope[kept] = (adjust_by_matter(self.slope[kept], matter)[0] <= 0.05) & (
            self.ranks[kept] <= RANKS_AGREE
        )
        by_ranks[kept] = benjamini_hochberg(self.ranks[kept]) <= 0.05
        return by_slope, by_ranks


def differences(rng: np.random.Generator, fleet: Fleet, drift: float = 0.0) -> Floats:
    """Monthly differences from siblings, nan where there was no scan; shape (cohorts, cells, vans, months).

    One scan scatters with sigma 1; `drift` is added to the first van of every cohort as a ramp that ends there.
    """
    shape = (fleet.cohorts, fleet.cells, fleet.vans, fleet.months)
    noise = rng.standard_t(fleet.tails, shape) if fleet.tails else rng.normal(size=shape)
    noise *= np.sqrt((fleet.tails - 2) / fleet.tails) if fleet.tails else 1.0
    noise *= np.where(rng.random(shape) < fleet.odd, 5.0, 1.0) if fleet.odd else 1.0
    for k in range(1, fleet.months):
        noise[..., k] = fleet.rho * noise[..., k - 1] + np.sqrt(1 - fleet.rho**2) * noise[..., k]
    if fleet.unlike:
        noise *= np.exp(fleet.unlike * rng.normal(size=(*shape[:3], 1)))
    common = fleet.shared * rng.normal(size=(fleet.cohorts, fleet.cells, 1, fleet.months)).cumsum(axis=3)
    season = fleet.season * np.sin(2 * np.pi * np.arange(fleet.months) / 12)
    value = noise + common + season + rng.normal(size=(*shape[:3], 1))
    if fleet.paces:
        value += fleet.paces * rng.normal(size=(*shape[:3], 1)) * np.arange(fleet.months) / (fleet.months - 1)
    value[:, :, 0] += drift * np.arange(fleet.months) / (fleet.months - 1)
    value[rng.random(shape) < fleet.missing] = np.nan
    moved = value - np.nanmedian(value, axis=3, keepdims=True)
    out = np.full(shape, np.nan)
    for van in range(fleet.vans):
        rest = np.delete(moved, van, axis=2)
        enough = np.count_nonzero(~np.isnan(rest), axis=2) >= 3
        middle = np.nanmedian(np.where(enough[:, :, None], rest, 0.0), axis=2)
        out[:, :, van] = np.where(enough, value[:, :, van] - middle, np.nan)
    return out


def judge(found: Floats) -> Ways:
    """The test as the build runs it."""
    cohorts, cells, vans, months = found.shape
    short = np.count_nonzero(~np.isnan(found), axis=3) < 8
    flat = np.where(short[..., None], np.nan, found).reshape(-1, months)
    cell, at = np.nonzero(~np.isnan(flat))
    kept, code = np.unique(cell, return_inverse=True)
    series = (code, at.astype(float), flat[cell, at])
    reading = np.broadcast_to(np.arange(cells)[None, :, None], (cohorts, cells, vans)).ravel()[kept]
    told, measure = np.unique(reading, return_inverse=True)
    lines = fit_lines(*series, len(measure))
    rho = serial_correlation(*series[:2], lines, measure, len(told))
    p = np.full((2, len(flat)), np.nan)
    p[0, kept] = judge_slopes(code, lines, rho, measure, len(told), np.zeros(len(rho))).p
    p[1, kept] = follow(*series, rho).p
    return Ways(*p.reshape(2, cohorts, cells, vans))


def _share(hits: int, of: int) -> str:
    low, high = stats.binomtest(hits, of).proportion_ci(method="wilson")
    return f"{hits / of:.3f} ({low:.3f} to {high:.3f}, n {of:,})"


HEALTHY = {
    "independent scans, 8 vans": Fleet(),
    "4 vans": Fleet(vans=4),
    "12 months, 5 vans": Fleet(vans=5, months=12, missing=0.1),
    "24 months, 16 vans": Fleet(vans=16, cohorts=4, months=24),
    "serial correlation 0.3": Fleet(rho=0.3),
    "serial correlation 0.5": Fleet(rho=0.5),
    "season of 2 sigma": Fleet(season=2.0),
    "siblings wander together": Fleet(shared=0.5),
    "healthy paces of 1 sigma": Fleet(paces=1.0),
    "vans scatter unlike": Fleet(unlike=0.3),
    "heavy tails (t, 4 df)": Fleet(tails=4),
    "one scan in 200 far off": Fleet(odd=0.005),
}


def type_one(fleets: int = 60) -> None:
    """Share of healthy cells with p <= 0.05 and 0.001, and fleets with any cell told; slopes, then ranks alone."""
    for name, fleet in HEALTHY.items():
        rng = np.random.default_rng(SEED)
        p: list[Floats] = []
        false = np.zeros(2, dtype=int)
        runs = fleets if fleet.vans < 16 else fleets // 2
        for _ in range(runs):
            ways = judge(differences(rng, fleet))
            p.append(np.stack([ways.slope, ways.ranks]).reshape(2, -1))
            false += [told.any() for told in ways.told()]
        both = np.concatenate(p, axis=1)
        both = both[:, ~np.isnan(both[0])]
        for place, way in enumerate(("slopes", "ranks alone")):
            hits = int((both[place] <= 0.05).sum())
            sys.stdout.write(
                f"healthy, {name}, {way}: p <= 5 % {_share(hits, both.shape[1])}; p <= 0.1 % "
                f"{(both[place] <= 0.001).mean():.2%}; {false[place]} of {runs} fleets with a cell told\n"
            )


RAMPS = {
    "normal": (Fleet(), 1),
    "each van has 3 states, all drift": (Fleet(cells=60), 3),
    "vans scatter unlike": (Fleet(unlike=0.3), 1),
    "heavy tails (t, 4 df)": (Fleet(tails=4), 1),
    "serial correlation 0.3": (Fleet(rho=0.3), 1),
    "healthy paces of 0.5 sigma": (Fleet(paces=0.5), 1),
}


def recall(fleets: int = 30) -> None:
    """Share of ramps told, of 2, 4 and 6 sigma over the time; one van in 8 drifts in one reading of 20."""
    for name, (fleet, states) in RAMPS.items():
        for size in (2.0, 4.0, 6.0):
            rng = np.random.default_rng(SEED)
            hits, of = np.zeros(2, dtype=int), 0
            wrong: list[list[float]] = [[], []]
            for _ in range(fleets):
                found = differences(rng, fleet)
                found[:, :states] = differences(rng, fleet, size)[:, :states]
                ways = judge(found)
                of += int((~np.isnan(ways.slope[:, :states, 0])).any(axis=1).sum())
                for place, cells in enumerate(ways.told(states)):
                    true = cells[:, :states, 0]
                    hits[place] += int(true.any(axis=1).sum())
                    wrong[place].append((cells.sum() - true.sum()) / max(cells.sum(), 1))
            for place, way in enumerate(("slopes", "ranks alone")):
                sys.stdout.write(
                    f"ramp of {size:g} sigma, {name}, {way}: found {_share(int(hits[place]), of)}; "
                    f"of what is told {np.mean(wrong[place]):.3f} +- "
                    f"{1.96 * np.std(wrong[place]) / np.sqrt(fleets):.3f} is false\n"
                )


def speed() -> None:
    """Time for 1,000 vans x 100 cells, 18 months each."""
    cells, months = 100_000, 18
    value = np.random.default_rng(SEED).normal(size=cells * months)
    cell, at = np.repeat(np.arange(cells), months), np.tile(np.arange(months, dtype=float), cells)
    started = time.perf_counter()
    lines = fit_lines(cell, at, value, cells)
    rho = serial_correlation(cell, at, lines, np.arange(cells) % 100, 100)
    judge_slopes(cell, lines, rho, np.arange(cells) % 100, 100, np.zeros(cells))
    follow(cell, at, value, rho)
    sys.stdout.write(f"1,000 vans x 100 cells x 18 months: {time.perf_counter() - started:.1f} s\n")


if __name__ == "__main__":
    type_one()
    recall()
    speed()
