"""Fleets with one planted cause, and what the cause engine says of them: the arrays behind `causes`.

Every fleet is its own: model years of one model, scans over a year with a season, two readers of which every van is
mostly read by one, and three attributes set at random within each cohort (parking, windscreen guard, depot). What is planted
stands on one measure alone; amounts are in tau, the standard deviation between healthy vans.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.effects import Effects, fit_effects
from pipeline.compare.exposures import ExposureEffects, ExposureRules, SpanMeans, find_exposures
from pipeline.compare.multiplicity import benjamini_hochberg
from pipeline.compare.offsets import Offsets, find_offsets
from pipeline.compare.score import Cells, NullTables, Rules, Scores, pooled_within_variance, score_cells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
PLANTED_MEASURE = 0
FIRST, SECOND = 0, 1
MONTHS = 12


@dataclass(frozen=True)
class Shape:
    """How large a fleet is and how its vans vary; `noise` is w2 / tau2, `between_years` the natural sd of cohorts."""

    cohorts: tuple[int, ...] = (12, 10, 10, 8)
    measures: int = 18
    scans: int = 12
    noise: float = 0.5
    between_years: float = 0.1
    season: float = 1.0


@dataclass(frozen=True)
class Plant:
    """What is planted on the first measure: kind `none`, `reader`, `exposure`, `cohort` or `van`, and its size in tau."""

    kind: str = "none"
    size: float = 0.0
    is_confounded: bool = False


@dataclass(frozen=True)
class Fleet:
    """One row per scan x measure in `value`; `sides` (contrasts, vans) as `find_exposures` wants them."""

    cohort: Ints
    van: Ints
    month: Ints
    reader: Ints
    measure: Ints
    value: Floats
    sides: NDArray[np.int8]
    planted_cohort: int
    planted_van: int


@dataclass(frozen=True)
class Answer:
    """What the engine says of one fleet."""

    effects: Effects
    exposures: ExposureEffects
    offsets: Offsets
    offset_q: Floats
    scores: Scores
    score_measure: Ints
    score_van: Ints
    judged: NDArray[np.bool_] = field(repr=False)


def _attributes(rng: np.random.Generator, cohort: Ints) -> NDArray[np.int8]:
    """Parking and guard, half of each cohort; depot north and south against main. Shape (contrasts, vans)."""
    n = len(cohort)
    sides = np.zeros((4, n), np.int8)
    for c in np.unique(cohort):
        mine = np.flatnonzero(cohort == c)
        for row in (0, 1):
            sides[row, rng.permutation(mine)[: len(mine) // 2]] = 1
        depot = rng.integers(0, 3, len(mine))
        sides[2, mine] = np.select([depot == 0, depot == 1], [0, 1], -1)
        sides[3, mine] = np.select([depot == 0, depot == 2], [0, 1], -1)
    return sides


def draw_fleet(rng: np.random.Generator, shape: Shape, plant: Plant) -> Fleet:
    """Return one fleet. A confounded reader reads one group of vans alone, and never another van."""
    cohort = np.repeat(np.arange(len(shape.cohorts)), shape.cohorts)
    vans, scans = len(cohort), shape.scans
    van = np.repeat(np.arange(vans), scans)
    month = rng.integers(0, MONTHS, len(van))
    share = rng.choice([0.1, 0.5, 0.9], vans)
    reader = (rng.random(len(van)) < share[van]).astype(np.int64)
    group = np.zeros(vans, np.bool_)
    if plant.is_confounded:
        group[rng.choice(vans, 2 + int(rng.integers(0, 3)), replace=False)] = True
        reader = group[van].astype(np.int64)
    sides = _attributes(rng, cohort)
    own = rng.standard_normal((shape.measures, vans))
    own += (shape.between_years * rng.standard_normal((shape.measures, len(shape.cohorts))))[:, cohort]
    season = shape.season * rng.standard_normal((shape.measures, 1)) * np.sin(2 * np.pi * month / MONTHS)
    value = own[:, van] + season + np.sqrt(shape.noise) * rng.standard_normal((shape.measures, len(van)))
    planted_cohort, planted_van = int(rng.integers(0, len(shape.cohorts))), int(rng.integers(0, vans))
    where = {
        "none": np.zeros(len(van)),
        "reader": reader == SECOND,
        "exposure": (sides[0] == 1)[van],
        "cohort": (cohort == planted_cohort)[van],
        "van": van == planted_van,
    }[plant.kind]
    value[PLANTED_MEASURE] += plant.size * rng.choice([-1, 1]) * where
    number = np.repeat(np.arange(shape.measures), len(van))
    van, month, reader = (np.tile(x, shape.measures) for x in (van, month, reader))
    return Fleet(cohort, van, month, reader, number, value.ravel(), sides, planted_cohort, planted_van)


def judge(fleet: Fleet, rules: ExposureRules | None = None) -> Answer:
    """Run readers and months, exposures, cohorts and vans over a fleet, each with the one before taken off."""
    n_vans, n_measures = len(fleet.cohort), int(fleet.measure.max()) + 1
    family = np.zeros(len(fleet.van), np.int64)
    effects = fit_effects(fleet.value, fleet.van, fleet.month, fleet.reader, fleet.measure, family)
    component = np.full((n_measures, 2), "linked", dtype=object)
    component[effects.readers.measure, effects.readers.reader] = effects.readers.component
    is_linked = component[fleet.measure, fleet.reader] == "linked"
    cell = fleet.measure * n_vans + fleet.van
    size = n_measures * n_vans
    m = np.bincount(cell[is_linked], minlength=size)
    mean = np.bincount(cell[is_linked], effects.adjusted[is_linked], size) / np.maximum(m, 1)
    spread = np.bincount(cell[is_linked], (effects.adjusted - mean[cell])[is_linked] ** 2, size)
    judged = m > 0
    at = np.flatnonzero(judged)
    measure, van = at // n_vans, at % n_vans
    means = SpanMeans(mean[at], m[at].astype(np.float64), measure, van, np.arange(n_vans), fleet.cohort)
    exposures = find_exposures(means, fleet.sides, rules=rules)
    level = mean[at].copy()
    for k in np.flatnonzero(exposures.effect):
        exposed = (measure == exposures.measure[k]) & (fleet.sides[exposures.contrast[k], van] == 1)
        level[exposed] -= exposures.effect[k]
    offsets = find_offsets(level, measure, np.zeros(len(at), np.int64), fleet.cohort[van])
    q = benjamini_hochberg(np.where(offsets.n_others > 0, offsets.p, np.nan))
    w2 = pooled_within_variance(
        spread[at] / np.maximum(m[at] - 1, 1), m[at].astype(np.float64), measure, measures=n_measures
    )
    scores = score_cells(
        Cells(
            measure=measure,
            group=measure * (int(fleet.cohort.max()) + 1) + fleet.cohort[van],
            y=level,
            m=m[at].astype(np.float64),
            w2=w2 * effects.variance_factor,
            resolution=np.full(n_measures, 1e-3),
            smallest_useful=np.full(n_measures, np.nan),
        ),
        NullTables.load(),
        Rules(),
    )
    return Answer(effects, exposures, offsets, q, scores, measure, van, judged.reshape(n_measures, n_vans))


def causes_of(answer: Answer, measure: int = PLANTED_MEASURE, q: float = 0.05) -> set[tuple[str, int]]:
    """Return the causes named (tier finding) in one measure: (kind, contrast, cohort or van)."""
    readers, exposures = answer.effects.readers, answer.exposures
    named: set[tuple[str, int]] = set()
    if ((readers.measure == measure) & (readers.effect != 0)).any():
        named.add(("reader", 0))
    taken = exposures.is_taken & (exposures.measure == measure)
    named |= {("exposure", int(c)) for c in exposures.contrast[taken]}
    offsets = answer.offsets
    is_out = (
        (offsets.measure == measure)
        & (np.nan_to_num(answer.offset_q, nan=1.0) <= q)
        & (offsets.n_others >= 2)
    )
    named |= {("cohort", int(c)) for c in offsets.cohort[is_out]}
    is_found = (answer.score_measure == measure) & (answer.scores.tier == 0)
    return named | {("van", int(v)) for v in answer.score_van[is_found]}


def planted_causes(fleet: Fleet, plant: Plant) -> set[tuple[str, int]]:
    """Return what a perfect answer would be."""
    subject = {"reader": 0, "exposure": 0, "cohort": fleet.planted_cohort, "van": fleet.planted_van}
    return set() if plant.kind == "none" else {(plant.kind, subject[plant.kind])}
