"""From p-values to what a person is told: finding, likely, watch, or nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TIERS = ("finding", "likely", "watch", "none", "not_enough_evidence")
"""Tier names; a tier's code is its place here."""

VERDICTS = ("above", "below", "borderline", "within", "not_judged")
"""Verdict names; a verdict's code is its place here."""

FINDING, LIKELY, WATCH, NONE, NOT_ENOUGH = range(5)

NEGLIGIBLE = 0.1
"""Of a reading's smallest useful difference: a shift that many vans share may be sure and smaller, but is of no use. A choice."""


@dataclass(frozen=True)
class Rules:
    """The least evidence and the levels that part the tiers.

    Attributes
    ----------
    min_siblings
        Cells with fewer siblings get no score.
    small_group
        Cells with at most so many siblings are labelled "small group".
    min_scans
        With fewer scans a van's own scatter is unknown, and its tier is one grade lower.
    finding_q, likely_q
        False discovery rates of the two upper tiers.
    robust_q
        False discovery rate of the extra mark under the cautious null. Stricter than that of a finding, because
        how heavy the tails of healthy vans are is a guess: measured with tails of 8 df (the guess) 0.04 of
        such marks are false, with 5 df 0.13 (`tests/benchmarks/healthy_fleets.py`).
    watch_p
        p-value of cells worth a second look though nothing is shown; by chance alone this share of all cells is
        there.
    suspect_p
        Two-sided p-value at which pass 1 leaves a van out of its siblings' reference.
    is_cautious
        p-values are read under the cautious null: for values whose healthy scatter has heavier tails than the normal
        law, as the logarithm of a spread has.
    min_cohorts
        Variance is borrowed between cohorts only where so many share the measure.
    """

    min_siblings: int = 3
    small_group: int = 4
    min_scans: int = 2
    finding_q: float = 0.05
    likely_q: float = 0.20
    robust_q: float = 0.02
    watch_p: float = 0.005
    suspect_p: float = 0.005
    min_cohorts: int = 3
    is_cautious: bool = False


def grade_cells(
    p: Floats, q: Floats, difference: Floats, smallest_useful: Floats, is_short_of_scans: Bools, rules: Rules
) -> Ints:
    """Return the tier code of every cell.

    A difference below the smallest useful one, and a van with too few scans, each lower the tier by one grade
    (finding, likely, watch, none), so neither is ever a finding.

    Parameters
    ----------
    p, q
        Calibrated and adjusted p-values, shape (cells,); nan = not scored.
    difference, smallest_useful
        In the measure's unit; smallest_useful nan where none is known.
    is_short_of_scans
        Fewer scans than `rules.min_scans`.
    """
    grade = np.select(
        [q <= rules.finding_q, q <= rules.likely_q, p <= rules.watch_p], [FINDING, LIKELY, WATCH], NONE
    )
    grade = grade + (np.abs(difference) < smallest_useful) + is_short_of_scans
    return cast(Ints, np.where(np.isnan(p), NOT_ENOUGH, np.minimum(grade, NONE)))


def judge_side(tier: Ints, difference: Floats) -> Ints:
    """Return the verdict code: above or below from likely on, borderline for watch, else within."""
    side = np.where(difference > 0, VERDICTS.index("above"), VERDICTS.index("below"))
    return cast(
        Ints,
        np.select(
            [tier == NOT_ENOUGH, tier <= LIKELY, tier == WATCH],
            [VERDICTS.index("not_judged"), side, VERDICTS.index("borderline")],
            VERDICTS.index("within"),
        ),
    )
