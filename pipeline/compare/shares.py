"""Where the differences of a reading come from: variance by moments, for factors that cross or nest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_WORST = 1e6  # condition of the scaled system above which a factor counts as confounded with those before it


@dataclass(frozen=True)
class Components:
    """Variance of every factor, the rest last; nan where the data cannot tell the factor from the others.

    Parameters
    ----------
    variance : (factors + 1,) float
        Estimates; negative ones, which moments allow, are raised to 0.
    low, high : (factors + 1,) float
        95 % interval of each share of the whole, by a parametric bootstrap.
    levels : (factors,) int
        Levels of each factor.
    """

    variance: Floats
    low: Floats
    high: Floats
    levels: Ints

    @property
    def share(self) -> Floats:
        """Each variance over their sum; all nan where nothing varies."""
        total = np.nansum(self.variance)
        return self.variance / total if total > 0 else np.full(self.variance.shape, np.nan)


@dataclass(frozen=True)
class _Design:
    """Rows summed up to cells in which every factor is constant, and what the sums are expected to be."""

    size: Floats
    groups: tuple[sparse.csr_array, ...]
    factors: tuple[sparse.csr_array, ...]
    system: Floats
    inside: int

    def solve(self, sums: Floats, within: Floats) -> Floats:
        """Estimates for cell sums of shape (cells, runs) and sums of squares within cells, shape (runs,)."""
        totals = [((g @ sums) ** 2 / (g @ self.size)[:, None]).sum(axis=0) for g in self.groups]
        squares = (sums**2 / self.size[:, None]).sum(axis=0) + within
        seen = np.vstack([*(t - totals[0] for t in totals[1:]), squares - totals[0]])
        return np.asarray(np.linalg.solve(self.system, seen))


def _incidence(level: Ints) -> sparse.csr_array:
    """Levels x cells, 1 where the cell belongs to the level."""
    cells = len(level)
    return sparse.csr_array((np.ones(cells), (level, np.arange(cells))), shape=(int(level.max()) + 1, cells))


def _codes(*columns: Ints) -> Ints:
    """Number the combinations of some columns."""
    code = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        code = np.unique(code * (int(column.max()) + 1) + column, return_inverse=True)[1]
    return code


def _coefficient(group: Ints, factor: Ints, size: Floats) -> float:
    """Sum over groups g and levels b of n_gb^2 / n_g: what a unit of b's variance adds to g's sum of squares."""
    both = _codes(group, factor)
    first = np.unique(both, return_index=True)[1]
    return float((np.bincount(both, size) ** 2 / np.bincount(group, size)[group[first]]).sum())


def _design(base: Ints, factors: Sequence[Ints], size: Floats, rows: int) -> tuple[_Design, list[int]]:
    """The design of the factors that the data can tell from the base and from those before them, and which they are."""
    groups = [base, *(_codes(base, f) for f in factors)]
    table = np.array([[_coefficient(g, f, size) for f in factors] for g in groups]).reshape(
        len(groups), len(factors)
    )
    count = np.array([int(g.max()) + 1 for g in groups], dtype=np.float64)
    total = float(size.sum())

    def system(chosen: list[int]) -> Floats:
        rows_of = [k + 1 for k in chosen]
        top = np.column_stack([table[np.ix_(rows_of, chosen)] - table[0, chosen], count[rows_of] - count[0]])
        return np.vstack([top, np.append(total - table[0, chosen], rows - count[0])])

    kept: list[int] = []
    for number in range(len(factors)):
        tried = system([*kept, number])
        scale = np.abs(tried).max(axis=1, keepdims=True)
        if count[number + 1] > count[0] and np.all(scale > 0) and np.linalg.cond(tried / scale) < _WORST:
            kept.append(number)
    own = tuple(_incidence(groups[k]) for k in (0, *(k + 1 for k in kept)))
    levels = tuple(_incidence(factors[k]) for k in kept)
    return _Design(size, own, levels, system(kept), rows - len(size)), kept


def share_out(
    value: Floats, base: Ints, factors: Sequence[Ints], *, runs: int = 200, seed: int = 20261127
) -> Components:
    """Estimate how much of the variance of a value each factor brings in.

    The model is value = mean of its base + a random effect of every factor + rest. Sums of squares over the base,
    over each factor within the base and over the rows are set equal to what they are expected to be (the analysis
    of variance method, Henderson's first), which for balanced data gives the textbook estimates.

    Parameters
    ----------
    value : (rows,) float
        Values.
    base : (rows,) int
        Groups whose means are taken as they are, such as models of van.
    factors : sequence of (rows,) int
        Level of each factor.
    runs : int
        Runs of the bootstrap.
    seed : int
        Of the bootstrap.

    Notes
    -----
    Henderson 1953, Biometrics 9:226-252; Searle, Casella and McCulloch 1992, Variance Components, chapter 5.
    The bootstrap draws all effects from normal laws with the estimated variances.
    """
    count = len(factors)
    cell = _codes(base, *factors) if len(value) else np.zeros(0, dtype=np.int64)
    first = np.unique(cell, return_index=True)[1]
    size = np.bincount(cell).astype(np.float64)
    levels = np.array([len(np.unique(f)) for f in factors], dtype=np.int64)
    nothing = np.full(count + 1, np.nan)
    if not len(value):
        return Components(nothing, nothing, nothing, levels)
    design, kept = _design(_codes(base[first]), [_codes(f[first]) for f in factors], size, len(value))
    free = len(value) - len(np.unique(base)) - len(kept)
    if free < 1 or np.linalg.cond(design.system) > 1 / np.finfo(np.float64).eps:
        return Components(nothing, nothing, nothing, levels)
    centred = value - (np.bincount(base, value) / np.maximum(np.bincount(base), 1))[base]
    sums = np.bincount(cell, centred).astype(np.float64)
    within = float(np.sum((centred - (sums / size)[cell]) ** 2))
    at = [*kept, count]
    found = np.full(count + 1, np.nan)
    found[at] = np.maximum(design.solve(sums[:, None], np.array([within]))[:, 0], 0.0)
    low, high = nothing.copy(), nothing.copy()
    low[at], high[at] = _bootstrap(design, found[at], runs, np.random.default_rng(seed))
    return Components(found, low, high, levels)


def _bootstrap(
    design: _Design, variance: Floats, runs: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """95 % interval of each share: the same design filled anew with the estimated variances."""
    cells, rest = len(design.size), variance[-1]
    sums = np.sqrt(rest * design.size)[:, None] * rng.normal(size=(cells, runs))
    for factor, own in zip(design.factors, variance, strict=False):
        effect = np.sqrt(own) * rng.normal(size=(factor.shape[0], runs))
        sums += design.size[:, None] * (factor.T @ effect)
    within = rest * rng.chisquare(design.inside, runs) if design.inside > 0 else np.zeros(runs)
    drawn = np.maximum(design.solve(sums, within), 0.0)
    total = drawn.sum(axis=0)
    shares = drawn / np.where(total > 0, total, 1.0)
    low, high = np.quantile(shares, [0.025, 0.975], axis=1)
    return low, high
