"""Type I error, recall and speed of the drift test, on seeded fleets: `uv run python tests/benchmarks/drift.py`.

The monthly differences are made as `int_sibling_movements` makes them: each van's month less its own median, less the
median of that over its siblings in the same month.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.compare.drift import follow, serial_correlation
from pipeline.compare.multiplicity import benjamini_hochberg

Floats = NDArray[np.float64]
SEED = 20261127


@dataclass(frozen=True)
class Fleet:
    """Shape of a fleet: cohorts of `vans` vans, `cells` readings, `months` months of which some have no scan."""

    vans: int = 8
    cohorts: int = 8
    cells: int = 20
    months: int = 18
    missing: float = 0.2
    rho: float = 0.0
    season: float = 0.0
    shared: float = 0.0


def differences(rng: np.random.Generator, fleet: Fleet, drift: float = 0.0) -> Floats:
    """Monthly differences from siblings, nan where there was no scan; shape (cohorts, cells, vans, months).

    One scan scatters with sigma 1; `drift` is added to the first van of every cohort as a ramp that ends there.
    """
    shape = (fleet.cohorts, fleet.cells, fleet.vans, fleet.months)
    noise = rng.normal(size=shape)
    for k in range(1, fleet.months):
        noise[..., k] = fleet.rho * noise[..., k - 1] + np.sqrt(1 - fleet.rho**2) * noise[..., k]
    common = fleet.shared * rng.normal(size=(fleet.cohorts, fleet.cells, 1, fleet.months)).cumsum(axis=3)
    season = fleet.season * np.sin(2 * np.pi * np.arange(fleet.months) / 12)
    value = noise + common + season + rng.normal(size=(*shape[:3], 1))
    value[:, :, 0] += drift * np.arange(fleet.months) / (fleet.months - 1)
    value[rng.random(shape) < fleet.missing] = np.nan
    moved = value - np.nanmedian(value, axis=3, keepdims=True)
    out = np.full(shape, np.nan)
    for van in range(fleet.vans):
        rest = np.delete(moved, van, axis=2)
        enough = np.count_nonzero(~np.isnan(rest), axis=2) >= 3
        with np.errstate(all="ignore"):
            middle = np.nanmedian(np.where(enough[:, :, None], rest, np.nan), axis=2)
        out[:, :, van] = np.where(enough, value[:, :, van] - middle, np.nan)
    return out


def p_values(found: Floats) -> Floats:
    """The test as the build runs it; shape (cohorts, cells, vans), nan with fewer than eight months."""
    cohorts, cells, vans, months = found.shape
    short = np.count_nonzero(~np.isnan(found), axis=3) < 8
    flat = np.where(short[..., None], np.nan, found).reshape(-1, months)
    cell, at = np.nonzero(~np.isnan(flat))
    kept, code = np.unique(cell, return_inverse=True)
    measure = np.broadcast_to(np.arange(cells)[None, :, None], (cohorts, cells, vans)).ravel()[kept]
    rho = serial_correlation(code, at.astype(float), flat[cell, at], measure, cells)
    p = np.full(len(flat), np.nan)
    p[kept] = follow(code, at.astype(float), flat[cell, at], rho).p
    return p.reshape(cohorts, cells, vans)


def _share(hits: int, of: int) -> str:
    low, high = stats.binomtest(hits, of).proportion_ci(method="wilson")
    return f"{hits / of:.3f} ({low:.3f} to {high:.3f}, n {of:,})"


def type_one(fleets: int = 100) -> None:
    """Share of healthy cells with p <= 0.05, and findings per fleet after the correction for many cells."""
    settings = {
        "independent scans, 8 vans": Fleet(),
        "4 vans": Fleet(vans=4),
        "12 months, 5 vans": Fleet(vans=5, months=12, missing=0.1),
        "24 months, 16 vans": Fleet(vans=16, cohorts=4, months=24),
        "serial correlation 0.3": Fleet(rho=0.3),
        "serial correlation 0.5": Fleet(rho=0.5),
        "season of 2 sigma": Fleet(season=2.0),
        "siblings wander together": Fleet(shared=0.5),
    }
    for name, fleet in settings.items():
        rng = np.random.default_rng(SEED)
        hits = of = false = 0
        for _ in range(fleets if fleet.vans < 16 else fleets // 2):
            p = p_values(differences(rng, fleet)).ravel()
            p = p[~np.isnan(p)]
            hits, of = hits + int((p <= 0.05).sum()), of + p.size
            false += int((benjamini_hochberg(p) <= 0.05).any())
        sys.stdout.write(
            f"type I at 5 %, {name}: {_share(hits, of)}; fleets with any false finding {false}\n"
        )


def recall(fleets: int = 20) -> None:
    """Share of ramps found (q <= 0.05) of 2, 4 and 6 sigma over 18 months; one van in 8 drifts in one cell of 20."""
    for size in (2.0, 4.0, 6.0):
        rng = np.random.default_rng(SEED)
        hits = of = 0
        for _ in range(fleets):
            found = differences(rng, Fleet())
            drifting = differences(rng, Fleet(), size)
            found[:, 0] = drifting[:, 0]
            q = benjamini_hochberg(p_values(found).ravel()).reshape(found.shape[:3])
            told = q[:, 0, 0][~np.isnan(q[:, 0, 0])]
            hits, of = hits + int((told <= 0.05).sum()), of + told.size
        sys.stdout.write(
            f"recall of a ramp of {size:g} sigma over 18 months, 1,280 cells: {_share(hits, of)}\n"
        )


def speed() -> None:
    """Time for 1,000 vans x 100 cells, 18 months each."""
    cells, months = 100_000, 18
    value = np.random.default_rng(SEED).normal(size=cells * months)
    cell, at = np.repeat(np.arange(cells), months), np.tile(np.arange(months, dtype=float), cells)
    started = time.perf_counter()
    rho = serial_correlation(cell, at, value, np.arange(cells) % 100, 100)
    follow(cell, at, value, rho)
    sys.stdout.write(f"1,000 vans x 100 cells x 18 months: {time.perf_counter() - started:.1f} s\n")


if __name__ == "__main__":
    type_one()
    recall()
    speed()
