"""Seeded fleets of single rows for the findings benchmark: what a reader shows, before anything is summarised.

Every fleet has cohorts of like vans that differ by nature from one another (their levels scatter by two standard
deviations between vans), vans with a level of their own, scans that scatter about it, and several rows a scan that
scatter about the scan. A fault moves one van's level by so many standard deviations between healthy vans, counted as
`healthy_fleets` counts them: sqrt(tau2 + w2/m).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

COHORT_SCATTER = 2.0  # standard deviation of cohort levels, in sd between vans


@dataclass(frozen=True)
class Kind:
    """What a fleet is like; sd between vans is 1 in the typical cohort.

    Attributes
    ----------
    cohorts
        Number of vans in each cohort.
    measures
        Readings x states looked at.
    scans
        Fewest and most scans of a van.
    rows
        Rows of a scan.
    scan_variance, row_variance
        Variance between scans of a van and between rows of a scan.
    variance_df
        Cohort variances scatter like a scaled inverse chi-square of so many degrees of freedom.
    tail_df
        Vans scatter like Student's t of so many degrees of freedom (variance 1).
    faults, sigma
        Faulty cells of a fleet and their size.
    is_in_pairs
        Faults come two to a cohort and measure, both on the same side.
    """

    cohorts: tuple[int, ...]
    measures: int = 18
    scans: tuple[int, int] = (4, 20)
    rows: int = 8
    scan_variance: float = 0.5
    row_variance: float = 0.3
    variance_df: float = np.inf
    tail_df: float = np.inf
    faults: int = 0
    sigma: float = 0.0
    is_in_pairs: bool = False


@dataclass(frozen=True)
class RowFleet:
    """One fleet.

    Attributes
    ----------
    cohort
        Cohort of every van, shape (vans,).
    scans
        Scans of every van, shape (vans,).
    van
        Van of every scan, shape (scans,).
    rows
        What was read, shape (measures, scans, rows).
    is_faulty
        What was planted, shape (measures, vans).
    kind
        What the fleet is like.
    """

    cohort: Ints
    scans: Ints
    van: Ints
    rows: Floats
    is_faulty: Bools
    kind: Kind


def draw_fleet(kind: Kind, seed: int) -> RowFleet:
    """Return the fleet of this number."""
    rng = np.random.default_rng([3, seed])
    sizes = np.array(kind.cohorts)
    cohort = np.repeat(np.arange(len(sizes)), sizes)
    vans = len(cohort)
    scans = rng.integers(kind.scans[0], kind.scans[1] + 1, vans)
    spread = np.ones((kind.measures, len(sizes)))
    if np.isfinite(kind.variance_df):
        spread = np.sqrt(kind.variance_df / rng.chisquare(kind.variance_df, spread.shape))
    own = rng.standard_normal((kind.measures, vans))
    if np.isfinite(kind.tail_df):
        own = rng.standard_t(kind.tail_df, own.shape) * np.sqrt((kind.tail_df - 2) / kind.tail_df)
    own *= spread[:, cohort]
    is_faulty = _plant(rng, kind, cohort)
    scale = np.sqrt(spread[:, cohort] ** 2 + (kind.scan_variance + kind.row_variance / kind.rows) / scans)
    side = rng.choice((-1.0, 1.0), (kind.measures, len(sizes)))[:, cohort]
    own += is_faulty * kind.sigma * scale * side
    own += rng.normal(0.0, COHORT_SCATTER, (kind.measures, len(sizes)))[:, cohort]
    van = np.repeat(np.arange(vans), scans)
    shape = (kind.measures, len(van))
    scan = own[:, van] + rng.standard_normal(shape) * np.sqrt(kind.scan_variance)
    rows = scan[..., None] + rng.standard_normal((*shape, kind.rows)) * np.sqrt(kind.row_variance)
    return RowFleet(cohort, scans, van, rows, is_faulty, kind)


def _plant(rng: np.random.Generator, kind: Kind, cohort: Ints) -> Bools:
    """Choose the faulty cells; in pairs, two vans of one cohort share the reading and the side."""
    is_faulty = np.zeros((kind.measures, len(cohort)), dtype=bool)
    if not kind.is_in_pairs:
        is_faulty.ravel()[rng.choice(is_faulty.size, kind.faults, replace=False)] = True
        return is_faulty
    for _ in range(kind.faults // 2):
        measure, group = rng.integers(kind.measures), rng.integers(len(kind.cohorts))
        is_faulty[measure, rng.choice(np.flatnonzero(cohort == group), 2, replace=False)] = True
    return is_faulty
