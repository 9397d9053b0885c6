"""Which exposures move which readings: parking, fittings, route, depot, several at once.

Every van's scans are averaged over the spans in which its exposures stayed the same. A contrast sets the spans
at one level of an attribute against those at another (see `level_shifts` for the test). What is found is
taken off before the next exposure is judged in the same reading, so that one cause is named once.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.aligned_ranks import aligned_p_values
from pipeline.compare.level_shifts import LevelShifts, compare_levels
from pipeline.compare.multiplicity import benjamini_hochberg

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Sides = NDArray[np.int8]

EXPOSED, OTHER, NEITHER = 1, 0, -1
MOST_ROUNDS = 4  # exposures named in one reading; more were never needed
SETTLE_ROUNDS = 3  # times that several exposures of one reading are fitted in turn


@dataclass(frozen=True)
class ExposureRules:
    """When an exposure is believed to move a reading.

    Attributes
    ----------
    q : float
        False discovery rate over contrasts x measures up to which a shift is taken off.
    min_vans : int
        Least number of vans at each level, in cohorts that hold both.
    min_pairs : int
        Least number of vans seen at both levels, where there are fewer at one level only; with five
        pairs no two-sided p-value is below 0.06.
    told_apart_p : float
        A shift that is no longer below this p-value once another exposure's is taken off cannot be told
        from it.
    confidence : float
        Of the intervals.
    """

    q: float = 0.05
    min_vans: int = 4
    min_pairs: int = 6
    told_apart_p: float = 0.05
    confidence: float = 0.95


@dataclass(frozen=True)
class SpanMeans:
    """What vans read while their exposures stayed the same.

    Rows (n,): `value`, its `weight` (scans), `measure` and `span` from 0. Spans (s,): `van` and `stratum`
    (cohort) of each.
    """

    value: FloatArray
    weight: FloatArray
    measure: IntArray
    span: IntArray
    van: IntArray
    stratum: IntArray


@dataclass(frozen=True)
class ExposureEffects:
    """One row per contrast x measure that has both levels somewhere, shape (k,).

    `effect` is what is taken off vans at the level: the shift, where `is_taken`, else 0. `shift` with its interval
    and `p`, `q` are those left after the other exposures taken off in that measure; `p_alone` and
    `shift_alone` before any was. `pair_*` rest on vans seen at both levels alone (nan without). `twin` is a contrast
    that cannot be told from a taken one in this measure, -1 for none; `is_tested` whether there
    are enough vans. `n_scans` are those behind the vans of both levels.
    """

    contrast: IntArray
    measure: IntArray
    is_tested: BoolArray
    is_taken: BoolArray
    effect: FloatArray
    shift: FloatArray
    low: FloatArray
    high: FloatArray
    z: FloatArray
    p: FloatArray
    q: FloatArray
    p_alone: FloatArray
    shift_alone: FloatArray
    n_exposed: IntArray
    n_other: IntArray
    n_strata: IntArray
    n_pairs: IntArray
    pair_shift: FloatArray
    pair_low: FloatArray
    pair_high: FloatArray
    pair_p: FloatArray
    twin: IntArray


class _Bench:
    """The data of one fleet, compared again and again with shifts taken off."""

    def __init__(self, means: SpanMeans, sides: Sides, rules: ExposureRules) -> None:
        self.means, self.sides, self.rules = means, sides, rules
        self.n_measures = int(means.measure.max(initial=-1)) + 1
        self.n_vans = int(means.van.max(initial=-1)) + 1
        self.stratum_of_van = np.zeros(self.n_vans, np.int64)
        self.stratum_of_van[means.van] = means.stratum
        self.key = means.measure * self.n_vans + means.van[means.span]
        n_contrasts = len(sides)
        self.taken = np.zeros((n_contrasts, self.n_measures), np.bool_)
        self.effect = np.zeros((n_contrasts, self.n_measures))

    def left(self, but: int | None = None) -> FloatArray:
        """Return the values with every effect taken off, that of contrast `but` excepted."""
        value = self.means.value.copy()
        for c in np.flatnonzero(self.taken.any(axis=1)):
            if c != but:
                value -= self.effect[c, self.means.measure] * (self.sides[c, self.means.span] == EXPOSED)
        return value

    def compare(
        self, contrast: int, value: FloatArray, measures: BoolArray | None = None, *, pairs_only: bool = False
    ) -> LevelShifts:
        """Compare the levels of one contrast in every measure, or in some; the others hold nothing then."""
        side = self.sides[contrast, self.means.span]
        size = self.n_measures * self.n_vans
        mean, seen = np.zeros((2, size)), np.zeros((2, size), np.bool_)
        for which in (OTHER, EXPOSED):
            mine = side == which
            weight = np.bincount(self.key[mine], self.means.weight[mine], size)
            total = np.bincount(self.key[mine], self.means.weight[mine] * value[mine], size)
            seen[which] = weight > 0
            mean[which] = total / np.where(seen[which], weight, 1.0)
        if measures is not None:
            seen &= np.repeat(measures, self.n_vans)
        both = seen[OTHER] & seen[EXPOSED]
        one = np.flatnonzero((seen[OTHER] ^ seen[EXPOSED]) & (not pairs_only))
        exposed = seen[EXPOSED][one]
        paired = np.flatnonzero(both)
        vans = (
            np.where(exposed, mean[EXPOSED][one], mean[OTHER][one]),
            self.stratum_of_van[one % max(self.n_vans, 1)],
            exposed,
            one // max(self.n_vans, 1),
        )
        found = compare_levels(
            *vans,
            pair_difference=mean[EXPOSED][paired] - mean[OTHER][paired],
            pair_cell=paired // max(self.n_vans, 1),
            n_cells=self.n_measures,
            confidence=self.rules.confidence,
        )
        sharper = aligned_p_values(*vans, n_cells=self.n_measures)
        return replace(found, p=np.where((found.n_pairs == 0) & np.isfinite(sharper), sharper, found.p))

    def compare_again(self, contrast: int, before: LevelShifts) -> LevelShifts:
        """Compare with the other contrasts' shifts taken off, in measures where any was; `before` holds the others'."""
        moved = np.asarray(self.taken.any(axis=0))
        now = self.compare(contrast, self.left(contrast), moved)
        return LevelShifts(
            *(np.where(moved, new, old) for new, old in zip(_columns(now), _columns(before), strict=True))
        )


def _columns(shifts: LevelShifts) -> list[NDArray[Any]]:
    return [getattr(shifts, f.name) for f in fields(shifts)]


def find_exposures(
    means: SpanMeans, sides: ArrayLike, *, rules: ExposureRules | None = None
) -> ExposureEffects:
    """Test every contrast in every measure, and take off what is found.

    Parameters
    ----------
    means : SpanMeans
        Reader and season taken out.
    sides : (contrasts, spans) int
        1 where a span is at the level asked about, 0 at the level it is compared with, -1 at neither.
    rules : ExposureRules, optional

    Returns
    -------
    ExposureEffects

    Raises
    ------
    ValueError
        Where the arrays do not fit each other.

    Notes
    -----
    Forward selection: Benjamini and Hochberg over contrasts x measures; in each measure the contrast of smallest
    p with q at most `rules.q` is taken off, the others of that measure are tested again on what is
    left, and so on. Shifts taken in one measure are then fitted in turn with each other's taken off. A
    contrast is the `twin` of a taken one where fewer than `min_vans` vans tell the two apart (the same vans, or
    nearly, stand at both), or where it is significant alone but not beside the taken one, which in turn
    is not significant once that contrast's shift is taken off. p is that of aligned ranks (`aligned_ranks`) where two
    cohorts or more hold both levels and no van was seen at both, else that of `level_shifts`. Assumed: a shift is
    the same in every cohort. Silent where no cohort holds both levels, and where fewer than `min_vans` vans
    stand at either (and fewer than `min_pairs` at both).
    """
    rules = rules or ExposureRules()
    table = np.asarray(sides, dtype=np.int8)
    if table.ndim != 2 or table.shape[1] != len(means.van):
        raise ValueError("sides must have one column per span")
    if not (len(means.value) == len(means.weight) == len(means.measure) == len(means.span)):
        raise ValueError("columns must be arrays of one length")
    bench = _Bench(means, table, rules)
    alone = [bench.compare(c, means.value) for c in range(len(table))]
    tested = np.array([_is_enough(a, rules) for a in alone]).reshape(len(table), bench.n_measures)
    p_alone = np.where(tested, _stack(alone, "p", bench), np.nan)
    _select(bench, tested, p_alone)
    final = _settle(bench, alone)
    p = np.where(tested, _stack(final, "p", bench), np.nan)
    return _report(bench, alone, final, tested, p_alone, p)


def _is_enough(shifts: LevelShifts, rules: ExposureRules) -> BoolArray:
    """Say in which measures there are enough vans."""
    wide = (shifts.n_exposed >= rules.min_vans) & (shifts.n_other >= rules.min_vans)
    enough: BoolArray = (wide | (shifts.n_pairs >= rules.min_pairs)) & np.isfinite(shifts.p)
    return enough


def _stack(shifts: list[LevelShifts], field: str, bench: _Bench) -> FloatArray:
    """Return one field of all contrasts, shape (contrasts, measures)."""
    rows = [np.asarray(getattr(s, field), np.float64) for s in shifts]
    return np.array(rows).reshape(len(shifts), bench.n_measures)


def _select(bench: _Bench, tested: BoolArray, p_alone: FloatArray) -> None:
    """Take off the strongest shift of each measure, test the others again, until none is left."""
    p = p_alone.copy()
    for _ in range(MOST_ROUNDS if len(p) else 0):
        q = benjamini_hochberg(p.ravel()).reshape(p.shape)
        open_p = np.where(tested & ~bench.taken & (np.nan_to_num(q, nan=1.0) <= bench.rules.q), p, np.inf)
        best = open_p.argmin(axis=0)
        new = np.flatnonzero(np.isfinite(open_p[best, np.arange(bench.n_measures)]))
        if not len(new):
            break
        _take(bench, best, new)
        value, measures = bench.left(), np.isin(np.arange(bench.n_measures), new)
        for c in range(len(p)):
            again = bench.compare(c, value, measures).p
            p[c, new] = np.where(tested[c, new] & ~bench.taken[c, new], again[new], p[c, new])


def _take(bench: _Bench, best: IntArray, new: IntArray) -> None:
    """Take off the shift of contrast best[m] in each measure of `new`."""
    value = bench.left()
    for c in np.unique(best[new]):
        mine = np.zeros(bench.n_measures, np.bool_)
        mine[new[best[new] == c]] = True
        bench.effect[c, mine] = bench.compare(int(c), value, mine).shift[mine]
    bench.taken[best[new], new] = True


def _settle(bench: _Bench, alone: list[LevelShifts]) -> list[LevelShifts]:
    """Fit shifts of measures with several in turn, let go of what does not last, compare all once more."""
    for _ in range(MOST_ROUNDS + 1):  # each lets go of one or ends, so that nothing is let go of in the last
        several = bench.taken.sum(axis=0) > 1
        for c in np.tile(np.flatnonzero((bench.taken & several).any(axis=1)), SETTLE_ROUNDS):
            shift = bench.compare(int(c), bench.left(int(c)), several).shift
            bench.effect[c] = np.where(bench.taken[c] & several, shift, bench.effect[c])
        final = [bench.compare_again(c, before) for c, before in enumerate(alone)]
        p = np.where(bench.taken & several, np.nan_to_num(_stack(final, "p", bench), nan=1.0), 0.0)
        worst = p.max(axis=0, initial=0.0)
        loose = (p == worst) & (worst > bench.rules.told_apart_p)
        if not loose.any():
            break
        bench.taken &= ~loose
        bench.effect[loose] = 0.0
    return final


def _find_twins(bench: _Bench, alone: list[LevelShifts], p_alone: FloatArray, p: FloatArray) -> IntArray:
    """Return, per contrast and measure, the contrast it cannot be told from, -1 for none."""
    twin = np.full(p.shape, -1, np.int64)
    rules = bench.rules
    is_seen = np.nan_to_num(benjamini_hochberg(p_alone.ravel()).reshape(p.shape), nan=1.0) <= rules.q
    is_gone = np.nan_to_num(p, nan=1.0) > rules.told_apart_p
    for a in np.flatnonzero(bench.taken.any(axis=1)):
        for b in np.flatnonzero((~bench.taken & bench.taken[a]).any(axis=1)):
            open_cells = ~bench.taken[b] & bench.taken[a]
            if _count_apart(bench, int(a), int(b)) >= rules.min_vans:
                open_cells &= is_seen[b] & is_gone[b]
                open_cells &= _fades(bench, int(a), int(b), alone[b].shift) if open_cells.any() else False
            twin[b, open_cells], twin[a, open_cells & (twin[a] < 0)] = a, b
    return twin


def _fades(bench: _Bench, a: int, b: int, shift: FloatArray) -> BoolArray:
    """Say in which measures contrast a is no longer seen once b's shift (measures,) is taken off."""
    taken_off = shift[bench.means.measure] * (bench.sides[b, bench.means.span] == EXPOSED)
    left = bench.compare(a, bench.left(a) - np.nan_to_num(taken_off)).p
    fades: BoolArray = np.nan_to_num(left, nan=1.0) > bench.rules.told_apart_p
    return fades


def _count_apart(bench: _Bench, a: int, b: int) -> int:
    """Return how many vans tell two contrasts apart: those that do not stand at both levels or at neither."""
    known = (bench.sides[a] != NEITHER) & (bench.sides[b] != NEITHER)
    same = bench.sides[a] == bench.sides[b]
    return min(len(np.unique(bench.means.van[known & other])) for other in (same, ~same))


def _report(
    bench: _Bench,
    alone: list[LevelShifts],
    final: list[LevelShifts],
    tested: BoolArray,
    p_alone: FloatArray,
    p: FloatArray,
) -> ExposureEffects:
    """Lay out the rows that have both levels somewhere."""
    q = benjamini_hochberg(p.ravel()).reshape(p.shape)
    twin = _find_twins(bench, alone, p_alone, p)
    pairs = [bench.compare(c, bench.left(c), pairs_only=True) for c in range(len(final))]
    met = _stack(final, "n_strata", bench) + _stack(final, "n_pairs", bench) > 0
    contrast, measure = np.nonzero(met)

    def flat(shifts: list[LevelShifts], field: str) -> FloatArray:
        return _stack(shifts, field, bench)[contrast, measure]

    def count(field: str) -> IntArray:
        return flat(final, field).astype(np.int64)

    return ExposureEffects(
        contrast.astype(np.int64),
        measure.astype(np.int64),
        tested[contrast, measure],
        bench.taken[contrast, measure],
        bench.effect[contrast, measure],
        flat(final, "shift"),
        flat(final, "low"),
        flat(final, "high"),
        flat(final, "z"),
        p[contrast, measure],
        q[contrast, measure],
        p_alone[contrast, measure],
        flat(alone, "shift"),
        count("n_exposed"),
        count("n_other"),
        count("n_strata"),
        count("n_pairs"),
        flat(pairs, "shift"),
        flat(pairs, "low"),
        flat(pairs, "high"),
        flat(pairs, "p"),
        twin[contrast, measure],
    )
