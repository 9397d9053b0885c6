"""Vans at one level of an exposure against vans at another, cohort by cohort, and vans seen both ways.

The statistic is sum over strata of U / (n + 1), the stratified rank test of van Elteren, plus V / (k + 1)
for the k vans seen at both levels, where V is Wilcoxon's signed-rank statistic of their differences. U counts
pairs of vans, and V pairs of differences, in which the exposed is higher, so the shift at which the statistic
meets its expectation is a weighted median of pairwise shifts, and its interval a pair of their quantiles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.distributions import z_quantile, z_tail
from pipeline.compare.rank_nulls import exact_null, weight_of
from pipeline.compare.segments import starts_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MOST_PAIRS = 4_000_000  # pairwise shifts held at once
TINY = 1e-9


@dataclass(frozen=True)
class LevelShifts:
    """One row per comparison, shape (n_cells,).

    `n_exposed`, `n_other` count vans in the `n_strata` strata that hold both levels, `n_pairs` vans seen at
    both. `z` is the standardised statistic, positive where the exposed are higher; `p` is two-sided, exact where
    `is_exact`. `shift` is exposed less other with its interval, in the unit of the values; nan where nothing can
    be compared or no interval of that confidence exists.
    """

    n_exposed: IntArray
    n_other: IntArray
    n_strata: IntArray
    n_pairs: IntArray
    z: FloatArray
    p: FloatArray
    is_exact: BoolArray
    shift: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class _Sums:
    """Statistic, expectation and variance per cell, and what the exact distribution needs."""

    statistic: FloatArray
    expected: FloatArray
    variance: FloatArray
    is_tied: BoolArray


@dataclass(frozen=True)
class _Blocks:
    """Vans sorted by cell, stratum and value, only strata with both levels; `start` is each block's first row."""

    value: FloatArray
    is_exposed: BoolArray
    block: IntArray
    start: IntArray
    cell: IntArray
    n_exposed: IntArray
    n_other: IntArray


def compare_levels(
    value: ArrayLike,
    stratum: ArrayLike,
    is_exposed: ArrayLike,
    cell: ArrayLike,
    *,
    pair_difference: ArrayLike = (),
    pair_cell: ArrayLike = (),
    n_cells: int | None = None,
    confidence: float = 0.95,
) -> LevelShifts:
    """Test whether vans at one level read higher than vans at another, many comparisons at once.

    Parameters
    ----------
    value : (n,) float
        One finite value per van and comparison, for vans seen at one level only.
    stratum : (n,) int
        The van's cohort; vans are compared only within it.
    is_exposed : (n,) bool
        At the level asked about, rather than at the one it is compared with.
    cell : (n,) int
        Number of the comparison (parameter x state), from 0.
    pair_difference : (k,) float
        For vans seen at both levels: mean at the level asked about less mean at the other.
    pair_cell : (k,) int
        Their comparison.
    n_cells : int, optional
        Number of comparisons; the largest met plus one, where not given.
    confidence : float
        Of the interval of the shift.

    Returns
    -------
    LevelShifts

    Raises
    ------
    ValueError
        Where arrays differ in length or a value is not finite.

    Notes
    -----
    Sources: van Elteren 1960, Bulletin of the International Statistical Institute 37:351-361 (weights
    1 / (n + 1)); Wilcoxon 1945, Biometrics Bulletin 1:80-83, zero differences ranked and split (Pratt 1959,
    Journal of the American Statistical Association 54:655-667); Hodges and Lehmann 1963, Annals of Mathematical
    Statistics 34:598-611 (the shift). The weight 1 / (k + 1) of the pairs follows van Elteren's rule: a
    statistic's slope over its variance, which is alike for all parts where van differences and pair
    differences vary alike. Ties: mid-ranks and their variance. p and interval are exact where nothing is tied
    and the vans are not many (about 60), else normal without continuity correction, which in small strata
    errs towards large p in the far tail. Assumed: vans are independent, and without the
    exposure the vans of one stratum could have stood at either level (they were not parked at random: an
    association, not a cause). Silent: a cell without a stratum that holds both levels and without pairs.
    """
    values, is_high = np.asarray(value, np.float64), np.asarray(is_exposed, np.bool_)
    strata, number = np.asarray(stratum, np.int64), np.asarray(cell, np.int64)
    difference, pair_number = np.asarray(pair_difference, np.float64), np.asarray(pair_cell, np.int64)
    if (
        any(c.shape != number.shape for c in (values, is_high, strata))
        or difference.shape != pair_number.shape
    ):
        raise ValueError("columns must be arrays of one length")
    if not (np.isfinite(values).all() and np.isfinite(difference).all()):
        raise ValueError("every value must be finite")
    cells = int(max(number.max(initial=-1), pair_number.max(initial=-1))) + 1 if n_cells is None else n_cells
    blocks = _sort_blocks(values, strata, is_high, number)
    order = np.lexsort((difference, pair_number))
    pairs, pair_of = difference[order], pair_number[order]
    n_pairs = np.bincount(pair_of, minlength=cells)
    one, other = _sum_ranks(blocks, cells), _sum_signed_ranks(pairs, pair_of, n_pairs)
    sums = _Sums(
        *(getattr(one, f) + getattr(other, f) for f in ("statistic", "expected", "variance", "is_tied"))
    )
    z = _standardise(sums)
    p = np.where(np.isfinite(z), 2 * z_tail(np.abs(z)), np.nan)
    critical = sums.expected - z_quantile(0.5 + confidence / 2) * np.sqrt(sums.variance)
    is_exact = _use_exact(blocks, n_pairs, sums, p, critical, confidence)
    shift, low, high = _invert(blocks, pairs, pair_of, n_pairs, critical)
    return LevelShifts(
        np.bincount(blocks.cell, blocks.n_exposed, cells).astype(np.int64),
        np.bincount(blocks.cell, blocks.n_other, cells).astype(np.int64),
        np.bincount(blocks.cell, minlength=cells),
        n_pairs,
        z,
        p,
        is_exact,
        shift,
        low,
        high,
    )


def _sort_blocks(value: FloatArray, stratum: IntArray, is_exposed: BoolArray, cell: IntArray) -> _Blocks:
    """Sort by cell, stratum and value, and keep the strata that hold both levels."""
    order = np.lexsort((value, stratum, cell))
    value, stratum, is_exposed, cell = value[order], stratum[order], is_exposed[order], cell[order]
    new = np.ones(len(value), np.bool_)
    new[1:] = (cell[1:] != cell[:-1]) | (stratum[1:] != stratum[:-1])
    block = np.cumsum(new) - 1
    exposed = np.bincount(block, is_exposed).astype(np.int64)
    size = np.bincount(block)
    both = (exposed > 0) & (exposed < size)
    kept = both[block]
    block = (np.cumsum(both) - 1)[block[kept]]
    start = starts_of(block)
    return _Blocks(
        value[kept], is_exposed[kept], block, start, cell[kept][start], exposed[both], (size - exposed)[both]
    )


def _mid_ranks(key: FloatArray, group: IntArray, start: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return each row's rank within its group, ties sharing theirs, and t^3 - t of its tie over t.

    Rows are sorted by group and key.
    """
    new = np.ones(len(key), np.bool_)
    new[1:] = (group[1:] != group[:-1]) | (key[1:] != key[:-1])
    first = np.flatnonzero(new)
    size = np.diff(first, append=len(key))
    rank = np.repeat(first + (size + 1) / 2.0, size) - start[group]
    return rank, np.repeat(size.astype(np.float64) ** 2 - 1, size)


def _sum_ranks(blocks: _Blocks, cells: int) -> _Sums:
    """Van Elteren's statistic, its expectation and tie-corrected variance, per cell."""
    rank, tie = _mid_ranks(blocks.value, blocks.block, blocks.start)
    a, b = blocks.n_exposed.astype(np.float64), blocks.n_other.astype(np.float64)
    n, strata = a + b, len(blocks.start)
    u = np.bincount(blocks.block, rank * blocks.is_exposed, strata) - a * (a + 1) / 2
    ties = np.bincount(blocks.block, tie, strata)
    variance = a * b / 12 * (n + 1 - ties / (n * (n - 1)))
    weight = weight_of(n)
    parts = (u * weight, a * b / 2 * weight, variance * weight**2)
    sums = [np.bincount(blocks.cell, x, cells).astype(np.float64) for x in parts]
    return _Sums(sums[0], sums[1], sums[2], np.bincount(blocks.cell, ties, cells) > 0)


def _sum_signed_ranks(difference: FloatArray, cell: IntArray, n_pairs: IntArray) -> _Sums:
    """Wilcoxon's signed-rank statistic over k + 1, its expectation and variance, per cell."""
    cells = len(n_pairs)
    size = np.abs(difference)
    order = np.lexsort((size, cell))
    sorted_cell, sorted_size, d = cell[order], size[order], difference[order]
    start = np.cumsum(n_pairs) - n_pairs
    rank, tie = _mid_ranks(sorted_size, sorted_cell, start)
    k = n_pairs.astype(np.float64)
    v = np.bincount(sorted_cell, rank * ((d > 0) + 0.5 * (d == 0)), cells)
    variance = np.bincount(sorted_cell, rank**2 * (d != 0), cells) / 4
    tied = np.bincount(sorted_cell, (tie > 0) | (d == 0), cells) > 0
    weight = weight_of(k)
    return _Sums(v * weight, k * (k + 1) / 4 * weight, variance * weight**2, tied)


def _standardise(sums: _Sums) -> FloatArray:
    """Return (statistic - expectation) / sd; 0 where all values are equal, nan where there are none."""
    something = sums.expected > 0
    sd = np.sqrt(sums.variance)
    z = (sums.statistic - sums.expected) / np.where(sd > 0, sd, 1.0)
    return np.where(something, np.where(sd > 0, z, 0.0), np.nan)


def _use_exact(
    blocks: _Blocks, n_pairs: IntArray, sums: _Sums, p: FloatArray, critical: FloatArray, confidence: float
) -> BoolArray:
    """Put exact p-values and critical values in place where there are any; return where."""
    is_exact = np.zeros(len(n_pairs), np.bool_)
    ends = np.searchsorted(blocks.cell, np.arange(len(n_pairs) + 1))
    design = list(zip(blocks.n_exposed.tolist(), blocks.n_other.tolist(), strict=True))
    for i in np.flatnonzero((sums.expected > 0) & ~sums.is_tied):
        null = exact_null(tuple(sorted(design[ends[i] : ends[i + 1]])), int(n_pairs[i]))
        if null is not None:
            p[i], critical[i] = null.p_value(sums.statistic[i]), null.critical(confidence)
            is_exact[i] = True
    return is_exact


def _invert(
    blocks: _Blocks, pairs: FloatArray, pair_cell: IntArray, n_pairs: IntArray, critical: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the weighted median of the pairwise shifts and the interval the test does not reject."""
    cells = len(n_pairs)
    count = np.bincount(blocks.cell, blocks.n_exposed * blocks.n_other, cells) + n_pairs * (n_pairs + 1) / 2
    found = np.full((3, cells), np.nan)
    chunk = (np.cumsum(count) - count) // MOST_PAIRS
    for part in np.unique(chunk):
        mine = chunk == part
        shift, weight, cell = _list_shifts(blocks, pairs, pair_cell, n_pairs, mine)
        _pick_quantiles(shift, weight, cell, critical, found)
    return found[0], found[1], found[2]


def _list_shifts(
    blocks: _Blocks, pairs: FloatArray, pair_cell: IntArray, n_pairs: IntArray, wanted: BoolArray
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return every pairwise shift of the wanted cells with its weight and cell."""
    rows = np.flatnonzero(wanted[blocks.cell[blocks.block]])
    exposed, other = rows[blocks.is_exposed[rows]], rows[~blocks.is_exposed[rows]]
    first = np.searchsorted(blocks.block[other], np.arange(len(blocks.start)))
    of = blocks.block[exposed]
    left, right = _cross(exposed, first[of], blocks.n_other[of])
    block = blocks.block[left]
    between = blocks.value[left] - blocks.value[other[right]]
    weight = weight_of(blocks.n_exposed + blocks.n_other)[block]
    mine = np.flatnonzero(wanted[pair_cell])
    base = np.cumsum(n_pairs) - n_pairs
    place = mine - base[pair_cell[mine]]
    i, j = _cross(mine, mine, n_pairs[pair_cell[mine]] - place)
    walsh = (pairs[i] + pairs[j]) / 2
    return (
        np.r_[between, walsh],
        np.r_[weight, weight_of(n_pairs)[pair_cell[i]]],
        np.r_[blocks.cell[block], pair_cell[i]],
    )


def _cross(left: IntArray, first: IntArray, count: IntArray) -> tuple[IntArray, IntArray]:
    """Pair each of `left` with `count` consecutive positions from `first` on."""
    ends = np.cumsum(count)
    step = np.arange(int(ends[-1]) if len(ends) else 0) - np.repeat(ends - count, count)
    return np.repeat(left, count), np.repeat(first, count) + step


def _pick_quantiles(
    shift: FloatArray, weight: FloatArray, cell: IntArray, critical: FloatArray, found: FloatArray
) -> None:
    """Write median, lower and upper end of each cell met into `found` (3, cells)."""
    if not len(shift):
        return
    order = np.lexsort((shift, cell))
    shift, cell = shift[order], cell[order]
    running = np.cumsum(weight[order])
    start = starts_of(cell)
    which = cell[start]
    base = np.append(0.0, running)[start]
    total = running[np.append(start[1:], len(cell)) - 1] - base
    slack = TINY * np.maximum(total, running[-1] * 1e-3)
    c = critical[which]

    def pick(mark: FloatArray, side: Literal["left", "right"]) -> FloatArray:
        """The first shift at which the running weight reaches (left) or passes (right) the mark."""
        nudge = slack if side == "right" else -slack
        at = np.minimum(np.searchsorted(running, base + mark + nudge, side=side), len(shift) - 1)
        picked: FloatArray = shift[at]
        return picked

    found[0, which] = (pick(total / 2, "left") + pick(total / 2, "right")) / 2
    has_interval = c >= 0
    found[1, which] = np.where(has_interval, pick(np.maximum(c, 0), "right"), np.nan)
    found[2, which] = np.where(has_interval, pick(total - np.maximum(c, 0), "left"), np.nan)
