"""Where the differences of a reading come from: variance by moments, for factors that cross or nest."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.effects_design import dense_codes
from pipeline.compare.segments import starts_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_WORST = 1e6  # condition of the scaled system above which a factor counts as confounded with those before it
_DRAWS = 150_000  # cells x runs of a bootstrap, about
_FEWEST_RUNS = 60


@dataclass(frozen=True)
class Components:
    """Variance of every factor, the rest last; nan where the data cannot tell the factor from the others.

    Parameters
    ----------
    variance : (measures, factors + 1) float
        Estimates; negative ones, which moments allow, are raised to 0.
    low, high : (measures, factors + 1) float
        95 % interval of each share of the whole, by a parametric bootstrap.
    levels : (measures, factors) int
        Levels of each factor.
    """

    variance: Floats
    low: Floats
    high: Floats
    levels: Ints

    @property
    def share(self) -> Floats:
        """Each variance over their sum; all nan where nothing varies."""
        total = np.nansum(self.variance, axis=1, keepdims=True)
        return self.variance / np.where(total > 0, total, np.nan)


@dataclass(frozen=True)
class _Cells:
    """Rows summed up to cells in which measure, base and every factor are constant, in order of measure.

    Parameters
    ----------
    measure, size : (cells,)
        Measure of a cell, and its rows.
    groups : factors + 1 of (cells,) int
        The base within its measure, and every factor within that base.
    factors : factors of (cells,) int
        Level of every factor within its measure.
    measures : int
        How many.
    """

    measure: Ints
    size: Floats
    groups: tuple[Ints, ...]
    factors: tuple[Ints, ...]
    measures: int

    def count(self, code: Ints) -> Ints:
        """How many different codes each measure has (measures,)."""
        return np.bincount(self.measure[_firsts(code)], minlength=self.measures)

    def of(self, measure: int) -> slice:
        """Where the cells of a measure stand."""
        return slice(*np.searchsorted(self.measure, [measure, measure + 1]))

    def laid_out_alike(self, measures: Ints) -> list[Ints]:
        """The places in `measures` of those whose cells are the same: read in the same scans, mostly."""
        found: dict[bytes, list[int]] = defaultdict(list)
        for place, measure in enumerate(measures):
            own = self.of(measure)
            codes = (code[own] - code[own].min() for code in (*self.groups, *self.factors))
            found[b"".join(c.tobytes() for c in (self.size[own], *codes))].append(place)
        return [np.array(places) for places in found.values()]

    def squares(self, group: Ints, sums: Floats) -> Floats:
        """Sum over the groups of each measure of (sum over the group)^2 / rows of the group (measures,)."""
        square = _total(group, sums) ** 2 / _total(group, self.size)
        return _total(self.measure[_firsts(group)], square, self.measures)

    def coefficient(self, group: Ints, factor: Ints) -> Floats:
        """Sum over groups g and levels b of n_gb^2 / n_g: what a unit of b's variance adds to g's sum of squares."""
        both = _codes(group, factor)
        first = _firsts(both)
        part = _total(both, self.size) ** 2 / _total(group, self.size)[group[first]]
        return _total(self.measure[first], part, self.measures)


def _codes(*columns: Ints) -> Ints:
    """Number the combinations of some columns from 0, in order."""
    code = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        code = dense_codes(code * (int(column.max(initial=0)) + 1) + column)[0]
    return code


def _total(code: Ints, weight: Floats, codes: int = 0) -> Floats:
    """Sum the weights of every code."""
    return np.bincount(code, weight, codes).astype(np.float64, copy=False)


def _firsts(code: Ints) -> Ints:
    """The first place of every code from 0 to the largest."""
    first = np.empty(int(code.max(initial=-1)) + 1, dtype=np.int64)
    first[code[::-1]] = np.arange(len(code))[::-1]
    return first


@dataclass(frozen=True)
class _Moments:
    """What the sums of squares over base, groups and rows are expected to be, per unit of each variance.

    `table` (measures, groups, factors); `count` (measures, groups) the groups; `rows` (measures,).
    """

    table: Floats
    count: Floats
    rows: Floats

    def systems(self, members: Ints, chosen: Sequence[int] | Ints) -> Floats:
        """The equations of some measures for some of the factors and the rest (members, chosen + 1, chosen + 1)."""
        table, count, rows = self.table[members][:, :, chosen], self.count[members], self.rows[members]
        groups = [k + 1 for k in chosen]
        top = np.dstack([table[:, groups] - table[:, :1], (count[:, groups] - count[:, :1])[..., None]])
        bottom = np.column_stack([rows[:, None] - table[:, 0], rows - count[:, 0]])
        return np.concatenate([top, bottom[:, None]], axis=1)


def _moments(cells: _Cells) -> _Moments:
    table = np.array([[cells.coefficient(g, f) for f in cells.factors] for g in cells.groups])
    return _Moments(
        table.reshape(len(cells.groups), len(cells.factors), cells.measures).transpose(2, 0, 1),
        np.column_stack([cells.count(g) for g in cells.groups]).astype(np.float64),
        _total(cells.measure, cells.size, cells.measures),
    )


def _by_pattern(rows: NDArray[np.generic]) -> Iterator[tuple[NDArray[np.generic], Ints]]:
    """Yield every different row of a table and where it stands."""
    known, number = np.unique(rows, axis=0, return_inverse=True)
    for place, row in enumerate(known):
        yield row, np.flatnonzero(number == place)


def _tell_apart(moments: _Moments) -> Bools:
    """Which factors the data can tell from the base and from those before them (measures, factors)."""
    measures, _, factors = moments.table.shape
    kept = np.zeros((measures, factors), dtype=np.bool_)
    for number in range(factors):
        for pattern, members in _by_pattern(kept[:, :number]):
            tried = moments.systems(members, [*np.flatnonzero(pattern), number])
            scale = np.abs(tried).max(axis=2, keepdims=True)
            is_sound = (scale > 0).all(axis=(1, 2)) & (
                moments.count[members, number + 1] > moments.count[members, 0]
            )
            sound = members[is_sound]
            worst = np.linalg.cond(tried[is_sound] / scale[is_sound])
            kept[sound, number] = worst < _WORST
    return kept


def share_out(
    measure: Ints,
    value: Floats,
    base: Ints,
    factors: Sequence[Ints],
    *,
    n_rows: Ints | None = None,
    square: Floats | None = None,
    most_runs: int = 200,
    seed: int = 20261127,
) -> Components:
    """Estimate how much of the variance of a value each factor brings in, measure by measure.

    The model is value = mean of its base + a random effect of every factor + rest. Sums of squares over the base,
    over each factor within the base and over the rows are set equal to what they are expected to be (the analysis
    of variance method, Henderson's first), which for balanced data gives the textbook estimates.

    Parameters
    ----------
    measure : (rows,) int
        What each value is of, counted from 0 without gaps.
    value : (rows,) float
        Values, or means over several rows in which base and factors are the same.
    base : (rows,) int
        Groups whose means are taken as they are, such as models of van.
    factors : sequence of (rows,) int
        Level of each factor.
    n_rows, square : (rows,), optional
        Rows behind each mean, and the sum of their squared deviations from it; else 1 and 0.
    most_runs : int
        Most runs of the bootstrap; measures of very many cells have fewer.
    seed : int
        Of the bootstrap, which starts anew with every measure.

    Notes
    -----
    Henderson 1953, Biometrics 9:226-252; Searle, Casella and McCulloch 1992, Variance Components, chapter 5.
    The bootstrap draws all effects from normal laws with the estimated variances.
    """
    rows = np.ones(len(value)) if n_rows is None else n_rows.astype(np.float64)
    cells, sums, within = _sum_up(measure, value, base, factors, rows, square)
    levels = np.column_stack([cells.count(f) for f in cells.factors])
    moments = _moments(cells)
    kept = _tell_apart(moments)
    squares = np.column_stack([cells.squares(g, sums) for g in cells.groups])
    whole = _total(cells.measure, sums**2 / cells.size, cells.measures) + within
    variance, low, high = (np.full((cells.measures, len(factors) + 1), np.nan) for _ in range(3))
    n_cells = np.bincount(cells.measure, minlength=cells.measures)
    runs = np.clip(_DRAWS // np.maximum(n_cells, 1), min(_FEWEST_RUNS, most_runs), most_runs)
    free = moments.rows - moments.count[:, 0] - kept.sum(axis=1)
    for pattern, alike in _by_pattern(np.column_stack([kept, runs, free >= 1])):
        if not pattern[-1]:
            continue
        chosen = np.flatnonzero(pattern[:-2])
        systems = moments.systems(alike, chosen)
        is_sound = np.linalg.cond(systems) <= 1 / np.finfo(np.float64).eps
        members, systems = alike[is_sound], systems[is_sound]
        at = np.ix_(members, [*chosen, len(factors)])
        seen = _seen([squares[members, k] for k in (0, *(chosen + 1))], whole[members])
        found = np.maximum(np.linalg.solve(systems, seen[..., None])[..., 0], 0.0)
        variance[at] = found
        for same in cells.laid_out_alike(members):
            drawn = _draw(cells, int(members[same[0]]), chosen, int(pattern[-2]), np.random.default_rng(seed))
            spread = np.sqrt(found[same])
            filled = np.einsum("ma,mb,kabr->mkr", spread, spread, drawn, optimize=True)
            at = np.ix_(members[same], [*chosen, len(factors)])
            low[at], high[at] = _interval(np.linalg.solve(systems[same], filled))
    return Components(variance, low, high, levels)


def _sum_up(
    measure: Ints, value: Floats, base: Ints, factors: Sequence[Ints], rows: Floats, square: Floats | None
) -> tuple[_Cells, Floats, Floats]:
    """The cells, the sum of each one's values less their base's mean, and each measure's squares within cells."""
    block = _codes(measure, base)
    cell = _codes(block, *factors)
    size = _total(cell, rows)
    centred = value - (_total(block, value * rows) / _total(block, rows))[block]
    sums = _total(cell, centred * rows)
    off = rows * (centred - (sums / size)[cell]) ** 2 + (0.0 if square is None else square)
    measures = int(measure.max(initial=-1)) + 1
    first = _firsts(cell)
    groups = (block[first], *(_codes(block[first], f[first]) for f in factors))
    own = tuple(_codes(measure[first], f[first]) for f in factors)
    return _Cells(measure[first], size, groups, own, measures), sums, _total(measure, off, measures)


def _seen(squares: Sequence[Floats], whole: Floats) -> Floats:
    """Sums of squares over the groups and over the rows, less those over the base, side by side (..., chosen + 1)."""
    return np.stack([*(s - squares[0] for s in squares[1:]), whole - squares[0]], axis=-1)


def _draw(cells: _Cells, measure: int, chosen: Ints, runs: int, rng: np.random.Generator) -> Floats:
    """Draw sums of squares of the cells of one measure, from which those of any variances are made up.

    Cells are filled with each part (the chosen factors and the rest) at variance 1. A sum of squares of what parts a
    and b add, times their standard deviations, is a sum over all pairs of parts.

    Returns
    -------
    (chosen + 1, parts, parts, runs) float
        Over the groups of each chosen factor and over the rows, less that over the base.
    """
    own = cells.of(measure)
    size = cells.size[own]
    rest = rng.normal(size=(len(size), runs)) * np.sqrt(size)[:, None]
    parts = np.empty((len(size), len(chosen) + 1, runs))
    parts[:, -1] = rest
    for place, number in enumerate(chosen):
        level = cells.factors[number][own] - cells.factors[number][own].min()
        parts[:, place] = size[:, None] * rng.normal(size=(int(level.max()) + 1, runs))[level]
    base, *squares = (_squares_of(cells.groups[k][own], size, parts) for k in (0, *(chosen + 1)))
    whole = _squares_of(np.arange(len(size)), size, parts)
    inside = int(size.sum()) - len(size)
    whole[-1, -1] += rng.chisquare(inside, runs) if inside > 0 else 0.0
    return np.stack([*squares, whole]) - base


def _squares_of(group: Ints, size: Floats, parts: Floats) -> Floats:
    """Sum over groups of (sum of a over the group) (sum of b) / its rows, for cell sums of every part (cells, parts, runs)."""
    order = np.argsort(group, kind="stable")
    start = starts_of(group[order])
    in_order = parts if (np.diff(group) >= 0).all() else parts[order]
    totals = np.add.reduceat(in_order, start, axis=0)
    totals /= np.sqrt(np.add.reduceat(size[order], start))[:, None, None]
    squares: Floats = np.einsum("gar,gbr->abr", totals, totals)
    return squares


def _interval(drawn: Floats) -> tuple[Floats, Floats]:
    """95 % interval of each share (measures, parts), from variances drawn (measures, parts, runs)."""
    raised = np.maximum(drawn, 0.0)
    total = raised.sum(axis=1, keepdims=True)
    low, high = np.quantile(raised / np.where(total > 0, total, 1.0), [0.025, 0.975], axis=2)
    return low, high
