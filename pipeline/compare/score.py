"""The sibling score: how far a van is from its siblings, and how likely a healthy one would be as far.

One engine for levels and for changes; the caller runs it once per channel. The formulas stand in `score_passes`, the
borrowing of variance in `moderation`, the calibration in `nulls` and `calibration`, the tiers in `tiers`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.bystanders import SecondLook, leave_out_named
from pipeline.compare.moderation import Prior, fit_prior, moderate
from pipeline.compare.multiplicity import adjust_by_matter
from pipeline.compare.nulls import NullTables
from pipeline.compare.score_batches import Comparisons, compare_groups
from pipeline.compare.score_cells import Cells, Scores
from pipeline.compare.score_passes import (
    LOWEST_LOG,
    Siblings,
    Statistic,
    set_against_siblings,
    trimmed_log_moments,
)
from pipeline.compare.score_report import Judged, Place, Used, keep_entries, report_scores
from pipeline.compare.tiers import Rules

__all__ = ["Cells", "NullTables", "Rules", "Scores", "pooled_within_variance", "score_cells"]

MOST_LEFT_OUT = 2
"""So many named vans of a cohort are taken out of their siblings' reference, one after the other."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def pooled_within_variance(s2: Floats, m: Floats, measure: Ints, measures: int | None = None) -> Floats:
    """Return w2 per measure: sum((m - 1) s2) / sum(m - 1) over vans with at least two scans.

    Parameters
    ----------
    s2, m, measure
        Variance between a van's scans, their number, and the measure, shape (vans x measures,). s2 may be nan.
    measures
        Number of measures; highest number + 1 when left out.

    Returns
    -------
    Shape (measures,); nan where no van has two scans.
    """
    count = measures if measures is not None else int(measure.max(initial=-1)) + 1
    freedom = np.where(np.isfinite(s2), np.maximum(m - 1.0, 0.0), 0.0)
    squares = np.bincount(measure, weights=freedom * np.nan_to_num(s2), minlength=count)
    total = np.bincount(measure, weights=freedom, minlength=count)
    w2 = np.full(count, np.nan)
    np.divide(squares, total, out=w2, where=total > 0)
    return w2


def score_cells(cells: Cells, nulls: NullTables, rules: Rules) -> Scores:
    """Score every cell of a channel against its siblings.

    Parameters
    ----------
    cells
        The cells; their order does not matter.
    nulls
        `NullTables.load()`.
    rules
        Evidence floor and levels.

    Raises
    ------
    ValueError
        If the arrays do not fit together, m is not positive, or a group holds two measures.

    Notes
    -----
    A group with cells that are not targets stands in for a cohort that is too small. It mixes vans that
    differ by nature, so it says nothing about the variance of cohorts unless nothing else does, and its own
    variance is never moderated downwards.
    """
    cells.check()
    used = _select(cells)
    found = compare_groups(used.group, used.y, used.m, used.floor, rules.min_siblings, rules.suspect_p)
    stands_in = np.zeros(len(found.cohort_cell), dtype=bool)
    stands_in[found.cohort[found.is_compared & ~used.is_target]] = True
    prior = _borrow(found, used, stands_in, len(cells.w2), rules.min_cohorts)
    at = np.flatnonzero(found.is_compared)
    siblings = Siblings(found.n_clean[at], found.mean[at], found.s2[at], found.inverse_scans[at])
    n_siblings = found.n_siblings[at].astype(np.float64)
    statistic, place = _set_against(at, siblings, n_siblings, used, found, prior, stands_in)
    is_judged = used.is_target[at] & (statistic.spread > 0)
    judged = Judged.by(
        nulls, at[is_judged], keep_entries(statistic, is_judged), keep_entries(place, is_judged)
    )
    named = _name(cells, used, judged)
    for most in range(1, MOST_LEFT_OUT + 1):
        second = _find_bystanders(used, found, *named, rules, most)
        if len(second.at):
            again = _set_against(second.at, second.siblings, second.n_siblings, used, found, prior, stands_in)
            found = _keep_the_milder(found, judged, second, Judged.by(nulls, second.at, *again))
            named = _name(cells, used, judged)
    return report_scores(cells, used, found, judged, rules, prior.d0)


def _name(cells: Cells, used: Used, judged: Judged) -> tuple[Floats, Floats]:
    """Return p and q of the used cells as they stand; nan where not judged."""
    p, q = np.full((2, len(used.cell)), np.nan)
    p[judged.at] = judged.null.p
    matter = np.arange(len(cells.y)) if cells.matter is None else cells.matter
    q[judged.at] = adjust_by_matter(judged.null.p, matter[used.cell[judged.at]])[0]
    return p, q


def _find_bystanders(
    used: Used, found: Comparisons, p: Floats, q: Floats, rules: Rules, most: int
) -> SecondLook:
    """Cells that up to `most` clearer named siblings may have pushed out."""
    return leave_out_named(
        found,
        used.group,
        used.y,
        used.m,
        p,
        q <= rules.finding_q,
        q <= rules.likely_q,
        rules.min_siblings,
        most,
    )


def _keep_the_milder(found: Comparisons, judged: Judged, second: SecondLook, again: Judged) -> Comparisons:
    """Put the second look in place, in `judged` too, where it accuses a van less than the first."""
    row = np.searchsorted(judged.at, second.at)
    is_milder = again.null.p > judged.null.p[row]
    row, cell = row[is_milder], second.at[is_milder]
    milder = keep_entries(second.siblings, is_milder)
    for first, other in (
        (judged.statistic, again.statistic),
        (judged.place, again.place),
        (judged.null, again.null),
    ):
        for name, values in vars(first).items():
            values[row] = getattr(other, name)[is_milder]
    mean, n_clean = found.mean.copy(), found.n_clean.copy()
    mean[cell], n_clean[cell] = milder.mean, milder.n
    return replace(found, mean=mean, n_clean=n_clean)


def _select(cells: Cells) -> Used:
    cell = np.flatnonzero(np.isfinite(cells.y))
    measure = cells.measure[cell]
    return Used(
        cell,
        measure,
        cells.group[cell],
        cells.y[cell],
        cells.m[cell],
        np.nan_to_num(cells.w2)[measure],
        np.nan_to_num(cells.resolution)[measure],
        np.ones(len(cell), dtype=bool) if cells.is_target is None else cells.is_target[cell],
    )


def _borrow(found: Comparisons, used: Used, stands_in: Bools, measures: int, min_cohorts: int) -> Prior:
    """Fit the prior on the cohorts; on groups that stand in for one only where there is nothing else."""
    speaks = ~stands_in if not stands_in.all() else stands_in
    first = found.cohort_cell[speaks]
    s2 = np.maximum(found.cohort_s2[speaks], used.floor[first] ** 2 / 12)
    log_mean, log_variance = trimmed_log_moments(found.cohort_vans[speaks])
    return fit_prior(s2, used.measure[first], measures, log_mean, log_variance, min_cohorts, LOWEST_LOG)


def _set_against(
    at: Ints,
    siblings: Siblings,
    n_siblings: Floats,
    used: Used,
    found: Comparisons,
    prior: Prior,
    stands_in: Bools,
) -> tuple[Statistic, Place]:
    """Score the compared cells and say where their null is read."""
    cohort, measure, floor = found.cohort[at], used.measure[at], used.floor[at] ** 2 / 12
    d0 = np.where(prior.is_pooled[measure], prior.d0, 0.0)
    variance = moderate(siblings.s2, siblings.n - 1, prior.s02[measure], d0)
    variance = np.maximum(variance, floor)
    variance = np.where(stands_in[cohort], np.maximum(variance, siblings.s2), variance)
    w2, inverse_scans = used.w2[at], 1 / used.m[at]
    statistic = set_against_siblings(used.y[at], inverse_scans, siblings, variance, d0, w2)

    log_mean, log_variance = (moment[cohort] for moment in trimmed_log_moments(found.cohort_vans))
    typical = np.where(d0 > 0, prior.s02[measure], found.cohort_s2[cohort] / np.exp(log_mean))
    with np.errstate(divide="ignore", invalid="ignore"):
        noise = np.where(w2 > 0, w2 * siblings.inverse_scans / np.maximum(typical, floor), 0.0)
    cohorts = np.where(d0 > 0, (log_variance + prior.excess) * prior.information[measure], np.inf)
    place = Place(n_siblings, d0, cohorts, noise, siblings.inverse_scans / inverse_scans)
    return statistic, place
