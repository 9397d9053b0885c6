"""Which months can be told apart, and the normal equations that do it (first half of `effects`).

Scans are first averaged to one observation per measure x family x van x month x reader, so that a
van scanned daily weighs no more in its month than one scanned once. Measures read at the very same
visits (van x month x reader) share a pattern, and with it all that follows from the visits alone:
their values stand as layers over the pattern's rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.linked import connected_parts
from pipeline.compare.segments import starts_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Visits:
    """Who was read by what in which month, sorted by family, van, month and reader; codes from 0, (visits,)."""

    family: IntArray
    van: IntArray
    month: IntArray
    reader: IntArray


@dataclass(frozen=True)
class Means:
    """Means of the scans of one visit, sorted by measure and visit, each counted from 0; all arrays (n,)."""

    value: FloatArray
    measure: IntArray
    visit: IntArray


@dataclass(frozen=True)
class Observations:
    """Where values were observed, sorted by pattern, family, van, month and reader.

    All arrays have shape (n,). `cell` numbers van x pattern and `block` pattern x family, both rising
    along the rows; `cell_start` and `block_start` hold each one's first row. Values `y` have shape
    (n,) or (layers, n), and what is worked out of them keeps the layers in front.
    """

    pattern: IntArray
    family: IntArray
    month: IntArray
    reader: IntArray
    block: IntArray
    cell: IntArray
    cell_start: IntArray
    block_start: IntArray

    def __len__(self) -> int:
        return len(self.pattern)

    def take(self, kept: BoolArray) -> Observations:
        """Return the rows where `kept` (n,) holds, with cells and blocks numbered anew."""
        return _number(
            self.pattern[kept],
            self.family[kept],
            self.month[kept],
            self.reader[kept],
            self.block[kept],
            self.cell[kept],
        )

    def demean(self, y: FloatArray) -> FloatArray:
        """Return `y` less the mean of its van x pattern cell."""
        return y - self.mean_cells(y).repeat(self.cell_size, axis=-1)

    def mean_cells(self, y: FloatArray) -> FloatArray:
        """Return the mean of `y` in each van x pattern cell (cells,)."""
        return _sums(y, self.cell_start) / self.cell_size

    def mean_blocks(self, y: FloatArray) -> FloatArray:
        """Return the mean of `y` in each pattern x family block (blocks,)."""
        return _sums(y, self.block_start) / self.block_size

    def sum_patterns(self, y: FloatArray) -> FloatArray:
        """Return the sum of `y` over each pattern (patterns,), 0 where it has no rows."""
        found = np.zeros((*y.shape[:-1], self.n_patterns))
        start = starts_of(self.pattern)
        found[..., self.pattern[start]] = _sums(y, start)
        return found

    @property
    def n_patterns(self) -> int:
        """Patterns, those in front of the last one counted too that have no rows."""
        return int(self.pattern[-1]) + 1 if len(self) else 0

    @cached_property
    def cell_size(self) -> IntArray:
        """Rows of each van x pattern cell."""
        return np.diff(self.cell_start, append=len(self))

    @cached_property
    def block_size(self) -> IntArray:
        """Rows of each pattern x family block."""
        return np.diff(self.block_start, append=len(self))

    @cached_property
    def cells_of_block(self) -> IntArray:
        """Vans of each pattern x family block."""
        return np.bincount(self.block[self.cell_start], minlength=len(self.block_start))


def _sums(y: FloatArray, start: IntArray) -> FloatArray:
    """Return the sum of every run of `y` (..., n), one begins at each `start`."""
    found: FloatArray = np.add.reduceat(y, start, axis=-1) if len(start) else np.zeros((*y.shape[:-1], 0))
    return found


def lay_out(pattern: IntArray, visit: IntArray, visits: Visits) -> Observations:
    """Number cells and blocks of observations, given in order of pattern and visit (n,)."""
    family, van = visits.family[visit], visits.van[visit]
    block = pattern * _size(family) + family
    return _number(
        pattern, family, visits.month[visit], visits.reader[visit], block, block * _size(van) + van
    )


def _number(
    pattern: IntArray, family: IntArray, month: IntArray, reader: IntArray, block: IntArray, cell: IntArray
) -> Observations:
    """Number sorted cells and blocks from 0 without gaps."""
    cell_start, block_start = starts_of(cell), starts_of(block)
    n = len(pattern)
    block_number = np.repeat(np.arange(len(block_start)), np.diff(block_start, append=n))
    cell_number = np.repeat(np.arange(len(cell_start)), np.diff(cell_start, append=n))
    return Observations(pattern, family, month, reader, block_number, cell_number, cell_start, block_start)


def dense_codes(codes: ArrayLike) -> tuple[IntArray, IntArray]:
    """Return codes renumbered from 0 and the original code of each number."""
    given = np.asarray(codes, dtype=np.int64)
    if not len(given):
        return given, given
    low = int(given.min())
    span = int(given.max()) - low + 1
    if span > 4 * len(given) + 1024:
        known, inverse = np.unique(given, return_inverse=True)
        return inverse.astype(np.int64), known
    used = np.bincount(given - low, minlength=span) > 0
    if used.all():
        return given - low, np.arange(low, low + span)
    return (np.cumsum(used) - 1)[given - low], np.flatnonzero(used) + low


def average_scans(
    value: FloatArray,
    van: IntArray,
    month: IntArray,
    reader: IntArray,
    measure: IntArray,
    family: IntArray,
    n_scans: FloatArray,
) -> tuple[Means, Visits, IntArray]:
    """Average scans, or means over `n_scans` of them, (rows,) to one row per visit; also return the mean of every row.

    All codes are dense, counted from 0; shape (rows,). Rows that are such means already, and in their order, are
    taken as they stand.
    """
    key = family
    for part in (van, month, reader):
        key = key * _size(part) + part
    visit, known = dense_codes(key)
    one = np.empty(len(known), np.int64)
    one[visit] = np.arange(len(visit))
    visits = Visits(family[one], van[one], month[one], reader[one])
    key = measure * len(known) + visit
    if (key[1:] > key[:-1]).all():
        return Means(value, measure, visit), visits, np.arange(len(key))
    mean, known_means = dense_codes(key)
    value = np.bincount(mean, value * n_scans) / np.bincount(mean, n_scans)
    return Means(value, known_means // len(known), known_means % len(known)), visits, mean


def _size(codes: IntArray) -> int:
    """Return how many codes there are, counted from 0."""
    return int(codes.max(initial=-1)) + 1


@dataclass(frozen=True)
class _Stack:
    """Inverse normal matrices of all groups that have the same number of month columns."""

    columns: IntArray  # (groups, months)
    inverse: FloatArray  # (groups, months, months)


@dataclass(frozen=True)
class MonthDesign:
    """Month columns that can be estimated, and the solved normal equations of van + month.

    `column` (n,) is each observation's column, -1 where its month cannot be judged; per column:
    `group`, `month`, `n_vans`.
    """

    column: IntArray
    group: IntArray
    month: IntArray
    n_vans: IntArray
    stacks: tuple[_Stack, ...]

    def solve(self, demeaned: FloatArray) -> FloatArray:
        """Return the least-squares month coefficients (..., columns) of values (..., n), summing to 0 in each group."""
        order, start, column = self._by_column
        right = np.zeros((*demeaned.shape[:-1], len(self.group)))
        right[..., column] = _sums(demeaned.take(order, axis=-1), start)
        found = np.zeros_like(right)
        for stack in self.stacks:
            found[..., stack.columns] = np.einsum(
                "gij,...gj->...gi", stack.inverse, right[..., stack.columns]
            )
        return found

    def spread(self, coefficients: FloatArray) -> FloatArray:
        """Return each observation's month coefficient, 0 where its month has none."""
        none = np.zeros((*coefficients.shape[:-1], 1))
        return np.concatenate((coefficients, none), axis=-1).take(self._place, axis=-1)

    @cached_property
    def _place(self) -> IntArray:
        """Column of each observation (n,), those without one in a column behind the last."""
        return np.where(self.column >= 0, self.column, len(self.group))

    @cached_property
    def _by_column(self) -> tuple[IntArray, IntArray, IntArray]:
        """Observations that have a column, column by column; where each column starts among them; and its number."""
        order = np.argsort(self._place, kind="stable")[: int((self.column >= 0).sum())]
        start = starts_of(self.column[order])
        return order, start, self.column[order[start]]


def _first_of_month(rows: Observations) -> BoolArray:
    """Mark the first observation of each van x pattern x month."""
    first = np.ones(len(rows), np.bool_)
    first[1:] = (rows.cell[1:] != rows.cell[:-1]) | (rows.month[1:] != rows.month[:-1])
    return first


def _presence(
    rows: Observations, group: IntArray, local: IntArray, width: IntArray
) -> Iterator[tuple[int, FloatArray]]:
    """Yield (group, counts of observations by van x its local month column) for groups with columns."""
    start = starts_of(group)
    for first, last in zip(start, np.append(start[1:], len(group)), strict=True):
        code = int(group[first])
        if width[code] < 2:
            continue
        column, cell = local[first:last], rows.cell[first:last]
        seen = column >= 0
        vans = int(cell[-1] - cell[0]) + 1
        flat = (cell[seen] - cell[0]) * width[code] + column[seen]
        yield code, np.bincount(flat, minlength=vans * width[code]).reshape(vans, -1).astype(float)


def _linked(rows: Observations, group: IntArray, code: IntArray, usable: BoolArray, link: int) -> BoolArray:
    """Keep, in each group, the largest set of months tied together by at least `link` shared vans.

    `code` (n,) is each observation's group x month number, `usable` (numbers,) those wide enough to
    judge. Months joined to the rest by one or two vans would hand those vans' own faults to all.
    """
    number = np.cumsum(usable) - 1
    n_groups = int(group.max(initial=-1)) + 1
    group_of = np.zeros(len(usable), np.int64)
    group_of[code] = group
    width = np.bincount(group_of[usable], minlength=n_groups)
    base = np.cumsum(width) - width
    local = np.where(usable[code], number[code] - base[group], -1)
    left, right = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for which, counts in _presence(rows, group, local, width):
        seen = (counts > 0).astype(float)
        tied = seen.T @ seen >= link
        i, j = np.nonzero(tied[:1] if tied[0].all() else np.triu(tied))
        left.append(i + base[which])
        right.append(j + base[which])
    total = int(usable.sum())
    i, j = np.concatenate(left), np.concatenate(right)
    part = connected_parts(i, j, total)
    weight = np.bincount(part[number[code[usable[code]]]], minlength=int(part.max(initial=-1)) + 1)
    owner = group_of[usable]
    best = np.zeros(n_groups)
    np.maximum.at(best, owner, weight[part])
    candidates = weight[part] == best[owner]
    leader = np.full(n_groups, total)
    np.minimum.at(leader, owner[candidates], part[candidates])
    kept = usable.copy()
    kept[usable] = (part == leader[owner]) & (np.bincount(part, minlength=total)[part] > 1)
    return kept


@dataclass(frozen=True)
class MonthChoice:
    """Which group x month numbers (group * n_months + month) can be judged, and the vans behind each."""

    n_months: int
    is_judged: BoolArray
    n_vans: IntArray


def choose_months(
    rows: Observations, group: IntArray, n_months: int, min_vans: int, link_vans: int
) -> MonthChoice:
    """Choose the months of each group that can be judged.

    Parameters
    ----------
    rows : Observations
        Sorted so that groups are contiguous.
    group : (n,) int
        What shares a month effect: the block (pattern x family), or the pattern for all families.
    n_months : int
        Number of month codes.
    min_vans : int
        Least number of vans seen in the month, each also seen in another month.
    link_vans : int
        Least number of vans two months must share to be comparable directly.
    """
    code = group * n_months + rows.month
    first = _first_of_month(rows)
    months_of_cell = np.bincount(rows.cell[first], minlength=len(rows.cell_start))
    several = months_of_cell[rows.cell] >= 2
    n_codes = (int(group.max(initial=-1)) + 1) * n_months
    n_vans = np.bincount(code[first & several], minlength=n_codes)
    return MonthChoice(n_months, _linked(rows, group, code, n_vans >= min_vans, link_vans), n_vans)


def design_months(rows: Observations, group: IntArray, choice: MonthChoice) -> MonthDesign:
    """Solve the normal equations of van + month for the chosen months.

    Notes
    -----
    Within a group, van effects are swept out exactly: with W (vans x months) the numbers of
    observations and d their row sums, the normal matrix is diag(colsum W) - W' diag(1/d) W. It has one
    null direction (all months up, all vans down), closed by adding a constant matrix; the right-hand
    side is orthogonal to it, so the solution sums to 0. In a group with chosen months every
    observation must lie in one of them.
    """
    code = group * choice.n_months + rows.month
    kept = choice.is_judged
    column = np.where(kept[code], (np.cumsum(kept) - 1)[code], -1)
    numbers = np.flatnonzero(kept)
    owner = numbers // choice.n_months
    stacks = _stack_inverses(rows, group, column, owner)
    return MonthDesign(column, owner, numbers % choice.n_months, choice.n_vans[numbers], stacks)


def _stack_inverses(
    rows: Observations, group: IntArray, column: IntArray, owner: IntArray
) -> tuple[_Stack, ...]:
    """Invert every group's normal matrix, those of one size together."""
    width = np.bincount(owner, minlength=int(group.max(initial=-1)) + 1)
    base = np.cumsum(width) - width
    local = np.where(column >= 0, column - base[group], -1)
    by_size: dict[int, tuple[list[int], list[FloatArray]]] = {}
    for which, counts in _presence(rows, group, local, width):
        total = counts.sum(axis=1)
        counts, total = counts[total > 0], total[total > 0]
        normal = np.diag(counts.sum(axis=0)) - counts.T @ (counts / total[:, None])
        size = len(normal)
        codes, matrices = by_size.setdefault(size, ([], []))
        codes.append(which)
        matrices.append(normal + np.trace(normal) / size**2)
    return tuple(
        _Stack(base[codes][:, None] + np.arange(size), np.linalg.inv(np.stack(matrices)))
        for size, (codes, matrices) in sorted(by_size.items())
    )
