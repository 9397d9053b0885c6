"""The null tables: calibration curves of healthy fleets, simulated once and shipped with the package.

What changes the scores of healthy vans, and so what the tables are read by (docs/decisions/0003-null-tables.md):
the cell's own number of siblings; d0 as estimated; the number of cohorts s02 rests on; the noise share, that is the
part of the variance between siblings which is scatter of single scans; and the van's scans relative to
theirs. Made by `make_null_tables.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property
from importlib import resources
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

Floats = NDArray[np.float64]
Law = Literal["normal", "cautious"]
LAWS: tuple[Law, Law] = ("normal", "cautious")

CAUTIOUS_DF = 8.0
"""Degrees of freedom of the t law between vans under the cautious null."""

_D0_HALF = 8.0


@dataclass(frozen=True)
class NullTables:
    """Calibration curves under both nulls on one grid.

    Attributes
    ----------
    n_siblings, d0, cohorts, noise_share, relative_scans
        Grid, each rising; the last d0 and the last number of cohorts are inf.
    normal, cautious
        Curves (see `calibration.fit_curve`), shape (n, d0, cohorts, noise share, relative scans, 8).
    """

    n_siblings: Floats
    d0: Floats
    cohorts: Floats
    noise_share: Floats
    relative_scans: Floats
    normal: NDArray[np.float32]
    cautious: NDArray[np.float32]

    @staticmethod
    def load() -> NullTables:
        """Return the tables that ship with the package; read from disk once."""
        return _load()

    def curves(
        self,
        law: Law,
        n_siblings: Floats,
        d0: Floats,
        cohorts: Floats,
        noise_share: Floats,
        relative_scans: Floats,
    ) -> Floats:
        """Return the calibration curve of every cell, interpolated between the corners of the grid.

        Parameters
        ----------
        law
            Which null.
        n_siblings, d0, cohorts, noise_share, relative_scans
            Where to read, each of shape (cells,); values beyond the grid are read at its edge.

        Returns
        -------
        Shape (cells, 8).
        """
        normal, cautious = self.both_curves(n_siblings, d0, cohorts, noise_share, relative_scans)
        return normal if law == "normal" else cautious

    def both_curves(
        self, n_siblings: Floats, d0: Floats, cohorts: Floats, noise_share: Floats, relative_scans: Floats
    ) -> tuple[Floats, Floats]:
        """Return what `curves` does, under the normal and under the cautious null."""
        places = (
            _place(np.log(self.n_siblings), np.log(n_siblings)),
            _place(_d0_scale(self.d0), _d0_scale(d0)),
            _place(-1 / np.sqrt(self.cohorts), -1 / np.sqrt(cohorts)),
            _place(self.noise_share, noise_share),
            _place(np.log(self.relative_scans), np.log(relative_scans)),
        )
        cells = len(n_siblings)
        place, weight = np.zeros((cells, 1), np.int64), np.ones((cells, 1))
        for size, (low, share) in zip(self.normal.shape[:-1], places, strict=True):
            place = np.concatenate((place * size + low[:, None], place * size + low[:, None] + 1), axis=1)
            weight = np.concatenate((weight * (1 - share)[:, None], weight * share[:, None]), axis=1)
        corners = csr_array(
            (weight.ravel(), place.ravel(), np.arange(0, place.size + 1, place.shape[1])),
            shape=(cells, len(self._side_by_side)),
        )
        normal, cautious = np.hsplit(corners @ self._side_by_side, 2)
        return normal, cautious

    @cached_property
    def _side_by_side(self) -> Floats:
        """Both tables, a row per corner of the grid."""
        flat = [table.reshape(-1, table.shape[-1]) for table in (self.normal, self.cautious)]
        return np.concatenate(flat, axis=1).astype(np.float64)


def law_df(law: Law, df: Floats, n_siblings: Floats, cohorts: Floats) -> Floats:
    """Return the degrees of freedom of the t law a null's scores are held against.

    The score's own df take d0 and s02 for known. What a few cohorts say about s02 is worth little, so the law is
    never lighter than n - 1 + (cohorts - 1)^2 / 4 gives; and under the cautious null never lighter than the
    vans themselves. This only shapes the axis of the curves, so that their tails are near to power laws: of the
    rules tried, this one foretold one in 10,000 and one in 100,000 best from the top 0.4 %.

    Parameters
    ----------
    law
        Which null.
    df
        Degrees of freedom of the score, d0 + n_clean - 1.
    n_siblings, cohorts
        Siblings of the cell, and cohorts behind s02.
    """
    known = np.minimum(df, np.maximum(n_siblings - 1 + (cohorts - 1) ** 2 / 4, 1.0))
    return known if law == "normal" else np.minimum(known, CAUTIOUS_DF)


@cache
def _load() -> NullTables:
    path = resources.files("pipeline.compare") / "null_tables.npz"
    with path.open("rb") as file, np.load(file, allow_pickle=False) as stored:
        return NullTables(**{name: stored[name] for name in stored.files})


def _d0_scale(d0: Floats) -> Floats:
    return 1 - _D0_HALF / (np.asarray(d0) + _D0_HALF)


def _place(grid: Floats, values: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return the lower neighbour in the grid and the share of the way to the next, both shape (cells,)."""
    inside = np.clip(values, grid[0], grid[-1])
    low = np.clip(np.searchsorted(grid, inside, side="right") - 1, 0, len(grid) - 2)
    return low, (inside - grid[low]) / (grid[low + 1] - grid[low])
