"""The last steps of the score: calibrate, adjust, grade, and lay everything out over all cells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.calibration import invert_surprise, measure_surprise, read_p, surprise_at
from pipeline.compare.multiplicity import adjust_by_matter, matter_cutoff
from pipeline.compare.nulls import LAWS, Law, NullTables, law_df
from pipeline.compare.score_batches import Comparisons
from pipeline.compare.score_cells import Cells, Scores
from pipeline.compare.score_passes import Siblings, Statistic
from pipeline.compare.tiers import NOT_ENOUGH, Rules, grade_cells, judge_side

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Fields = TypeVar("Fields", Statistic, Siblings, "Place", "Calibrated")

_OUTSIDE = 0.05
"""Share of healthy vans outside the sibling range and of differences outside their interval."""
_REASONS = (
    "",
    "no usable value",
    "serves as a sibling only",
    "siblings show one and the same value, and the reading's step is not known",
)
"""Why a cell has no score, behind which those of too few siblings follow."""


@dataclass(frozen=True)
class Used:
    """The cells that have a value, with what their measure says about each; shape (used,)."""

    cell: Ints
    measure: Ints
    group: Ints
    y: Floats
    m: Floats
    w2: Floats
    floor: Floats
    is_target: Bools


@dataclass(frozen=True)
class Place:
    """Where in the null tables a cell is read."""

    n_siblings: Floats
    d0: Floats
    cohorts: Floats
    noise_share: Floats
    relative_scans: Floats


@dataclass(frozen=True)
class Calibrated:
    """Calibration curves under both nulls, shape (k, 8), and the two-sided p-values by them, shape (k,)."""

    normal: Floats
    cautious: Floats
    p: Floats
    p_cautious: Floats


@dataclass(frozen=True)
class Judged:
    """The cells that get a score: their place among the used ones, their statistic, their null."""

    at: Ints
    statistic: Statistic
    place: Place
    null: Calibrated

    @classmethod
    def by(cls, nulls: NullTables, at: Ints, statistic: Statistic, place: Place) -> Self:
        """Calibrate every score."""
        curves = nulls.both_curves(**vars(place))
        p, p_cautious = (
            read_p(measure_surprise(statistic.t, _law_df(law, statistic, place)), curve)
            for law, curve in zip(LAWS, curves, strict=True)
        )
        return cls(at, statistic, place, Calibrated(*curves, p, p_cautious))

    def law_df(self, law: Law) -> Floats:
        """Return the degrees of freedom of the law that a null's scores are held against."""
        return _law_df(law, self.statistic, self.place)


def _law_df(law: Law, statistic: Statistic, place: Place) -> Floats:
    return law_df(law, statistic.df, place.n_siblings, place.cohorts)


def keep_entries(fields: Fields, is_kept: Bools) -> Fields:
    """Return the same record with every array cut down to the kept entries."""
    return type(fields)(**{name: value[is_kept] for name, value in vars(fields).items()})


def report_scores(
    cells: Cells, used: Used, found: Comparisons, judged: Judged, rules: Rules, d0: float
) -> Scores:
    """Adjust, grade, and lay everything out over all cells."""
    size, rows = len(cells.y), used.cell[judged.at]
    statistic, null = judged.statistic, judged.null
    p_cautious = np.maximum(null.p, null.p_cautious)
    p = p_cautious if rules.is_cautious else null.p
    matter = np.arange(len(rows)) if cells.matter is None else cells.matter[rows]
    q, q_matter = adjust_by_matter(p, matter)
    alone = matter_cutoff(q_matter, matter, rules.finding_q)
    df = judged.law_df("normal")
    smallest_useful = cells.smallest_useful[used.measure[judged.at]]
    law: Law = "cautious" if rules.is_cautious else "normal"
    bar = surprise_at(alone, null.cautious if rules.is_cautious else null.normal)
    needed = invert_surprise(bar, judged.law_df(law)) * statistic.spread if len(p) else p
    expected = found.mean[judged.at]
    difference = used.y[judged.at] - expected
    known = invert_surprise(-float(np.log(_OUTSIDE)), statistic.df) * np.sqrt(statistic.mean_variance)
    usual = invert_surprise(surprise_at(_OUTSIDE, null.normal), df) * statistic.spread
    total = statistic.between + statistic.mean_variance
    kept = np.divide(statistic.between, total, out=np.zeros_like(total), where=total > 0)
    scans = (cells.m if cells.scans is None else cells.scans)[rows]
    tier = grade_cells(p, q, difference, smallest_useful, scans < rules.min_scans, rules)

    n_siblings = _over_all(size, used.cell, found.n_siblings, 0)
    is_scored = _over_all(size, rows, np.ones(len(rows), dtype=bool), False)
    all_tiers = _over_all(size, rows, tier, NOT_ENOUGH)
    all_differences = _over_all(size, rows, difference)
    return Scores(
        expected=_over_all(size, rows, expected),
        difference=all_differences,
        interval_low=_over_all(size, rows, difference - known),
        interval_high=_over_all(size, rows, difference + known),
        t=_over_all(size, rows, statistic.t),
        df=_over_all(size, rows, statistic.df),
        p=_over_all(size, rows, p),
        q=_over_all(size, rows, q),
        p_cautious=_over_all(size, rows, p_cautious),
        robust=_over_all(size, rows, adjust_by_matter(p_cautious, matter)[0] <= rules.robust_q, False),
        is_small_group=is_scored & (n_siblings <= rules.small_group),
        detectable=_over_all(size, rows, np.fmax(needed, smallest_useful)),
        n_siblings=n_siblings,
        n_clean=_over_all(size, used.cell, found.n_clean),
        sibling_median=_over_all(size, used.cell, found.sibling_median),
        sibling_low=_over_all(size, rows, expected - usual),
        sibling_high=_over_all(size, rows, expected + usual),
        shrunken_difference=_over_all(size, rows, difference * kept),
        tier=all_tiers,
        verdict=judge_side(all_tiers, all_differences),
        is_scored=is_scored,
        reason_no=_explain(cells, n_siblings, is_scored, rules.min_siblings),
        reasons=(*_REASONS, *(_too_few(n, rules.min_siblings) for n in range(rules.min_siblings))),
        cells_tested=len(rows),
        p_cutoff=float(alone.mean()) if len(rows) else 0.0,
        expected_by_chance=float(alone.sum()),
        d0=d0,
    )


def _over_all(size: int, rows: Ints, values: NDArray[Any], missing: Any = np.nan) -> NDArray[Any]:
    """Return an array of the given size with the values in their rows and `missing` elsewhere."""
    result = np.full(size, missing, dtype=values.dtype if missing is not np.nan else np.float64)
    result[rows] = values
    return result


def _explain(cells: Cells, n_siblings: Ints, is_scored: Bools, min_siblings: int) -> Ints:
    """Say why a cell has no score, as a place among the reasons."""
    is_target = np.ones(len(cells.y), dtype=bool) if cells.is_target is None else cells.is_target
    return np.select(
        [is_scored, ~np.isfinite(cells.y), ~is_target, n_siblings < min_siblings],
        [0, 1, 2, len(_REASONS) + n_siblings],
        3,
    )


def _too_few(n: int, min_siblings: int) -> str:
    siblings = ("no sibling has", "1 sibling has", f"{n} siblings have")[min(n, 2)]
    return f"{siblings} this reading; a comparison needs {min_siblings}"
