"""Measures fitted together (part of `effects`): those read at the very same visits share all but their values.

Measures share nothing else but what many comparisons cost, so it makes no difference to what is found.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.compare.effects_design import FloatArray, IntArray, Means, Observations, Visits, lay_out
from pipeline.compare.effects_fit import VALUES_AT_ONCE, build_model, fit_additive
from pipeline.compare.effects_months import (
    EffectRules,
    FamilyDesign,
    MonthTable,
    design_families,
    tabulate_months,
)
from pipeline.compare.effects_readers import ReaderLinks, ReaderTests, compare_readers, link_readers
from pipeline.compare.segments import starts_of

OWN_BATCH = 10_000  # values from which a pattern is fitted by itself; chosen by time


@dataclass(frozen=True)
class Batch:
    """Measures fitted together: what follows from their visits, and their readers tested.

    `measures` (layers, patterns) are the measures, `means` (layers, n) the mean that each layer has at each visit.
    """

    measures: IntArray
    means: IntArray
    rows: Observations
    links: ReaderLinks
    design: FamilyDesign
    tests: ReaderTests


def judge_readers(means: Means, visits: Visits, n_months: int, rules: EffectRules) -> list[Batch]:
    """Lay out the months of every measure and test its readers."""
    return [_judge(means, visits, *alike, n_months, rules) for alike in share_visits(means)]


def _judge(
    means: Means, visits: Visits, measures: IntArray, at: IntArray, n_months: int, rules: EffectRules
) -> Batch:
    rows = place_means(means, visits, at[0])
    links = link_readers(rows, rules.min_vans, rules.link_vans)
    design = design_families(rows, means.value[at], links, n_months, rules)
    model = build_model(design.rows, design.months, links.slot_of(design.rows))
    tests = compare_readers(model, fit_additive(model, design.target, rules.reader_psi), links)
    return Batch(measures, at, rows, links, design, tests)


def fit_months(batch: Batch, taken: FloatArray, months: IntArray) -> MonthTable:
    """Fit months with what readers add, `taken` (layers, links), taken off; `months` (n_months,) are the calendar's."""
    rows = batch.design.rows
    model = build_model(rows, batch.design.months, np.full(len(rows), -1))
    fit = fit_additive(model, batch.design.target - batch.links.spread(taken, rows), "bisquare")
    return tabulate_months(batch.rows, batch.design, fit.month, months)


def place_means(means: Means, visits: Visits, at: IntArray) -> Observations:
    """Lay out the visits of the means `at` (n,), one pattern per measure."""
    measure = means.measure[at]
    pattern = np.cumsum(np.diff(measure, prepend=measure[0]) != 0)
    return lay_out(pattern, means.visit[at], visits)


def share_visits(means: Means) -> Iterator[tuple[IntArray, IntArray]]:
    """Yield measures (layers, patterns) and the means of each layer (layers, n); a pattern's visits are the same in all.

    A pattern of many values stands alone, its measures as layers; the measures of the others stand side by side.
    """
    start = starts_of(means.measure)
    size = np.diff(start, append=len(means.visit))
    by_visits: dict[bytes, list[int]] = {}
    for measure, (first, rows) in enumerate(zip(start.tolist(), size.tolist(), strict=True)):
        by_visits.setdefault(means.visit[first : first + rows].tobytes(), []).append(measure)
    rest = []
    for alike in by_visits.values():
        if len(alike) * size[alike[0]] < OWN_BATCH:
            rest += alike
        else:
            yield np.array(alike)[:, None], start[alike][:, None] + np.arange(size[alike[0]])
    beside = np.cumsum(size[rest]) // VALUES_AT_ONCE
    for some in np.split(np.array(rest, np.int64), np.flatnonzero(np.diff(beside)) + 1) if rest else ():
        at = np.concatenate(
            [np.arange(first, first + n) for first, n in zip(start[some], size[some], strict=True)]
        )
        yield some[None], at[None]
