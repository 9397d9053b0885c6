"""What goes into the sibling score and what comes out: one entry per cell, a van x measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.tiers import TIERS, VERDICTS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Names = NDArray[np.str_]


@dataclass(frozen=True)
class Cells:
    """The cells of one channel: one van x one measure (parameter x state) each.

    Attributes
    ----------
    measure
        Number of the measure, 0 to measures - 1, shape (cells,).
    group
        Cohort within the measure; a number never stands for two measures, shape (cells,).
    y
        The van's value in the measure's unit; nan where it has none, shape (cells,).
    m
        Effective number of scans behind y, so that scans add w2 / m to its variance; for a change
        1 / (1 / m_recent + 1 / m_earlier), shape (cells,).
    w2
        Pooled within-van variance of one scan, shape (measures,); nan where no van has two scans.
    resolution
        Smallest step of the reading, shape (measures,); nan or 0 where unknown.
    smallest_useful
        Smallest difference that matters in the workshop, shape (measures,); nan where none is known.
    is_target
        False for cells that serve as siblings only, as in a group that stands in for a cohort which is too
        small. All true when left out.
    scans
        Number of scans as a person counts them, held against `Rules.min_scans`; m when left out.
    matter
        Cells with one number are one matter, as the states of one reading on one van: they are paid for
        together (`multiplicity.adjust_by_matter`), shape (cells,). Each its own when left out.
    """

    measure: Ints
    group: Ints
    y: Floats
    m: Floats
    w2: Floats
    resolution: Floats
    smallest_useful: Floats
    is_target: Bools | None = None
    scans: Floats | None = None
    matter: Ints | None = None

    def check(self) -> None:
        """Raise ValueError where the arrays do not fit together, m is not positive, or a group holds two measures."""
        if len({len(a) for a in (self.measure, self.group, self.y, self.m)}) != 1:
            raise ValueError("measure, group, y and m must be of one length")
        if any(len(a) != len(self.y) for a in (self.is_target, self.scans, self.matter) if a is not None):
            raise ValueError("is_target, scans and matter must be as long as y")
        if len({len(self.w2), len(self.resolution), len(self.smallest_useful)}) != 1:
            raise ValueError("w2, resolution and smallest_useful must have one entry per measure")
        if len(self.y) and (self.measure.min() < 0 or self.measure.max() >= len(self.w2)):
            raise ValueError(f"measures are numbered 0 to {len(self.w2) - 1}")
        if not np.all(self.m[np.isfinite(self.y)] > 0):
            raise ValueError("m, the number of scans behind a value, must be positive")
        order = np.argsort(self.group, kind="stable")
        group, measure = self.group[order], self.measure[order]
        if np.any((group[1:] == group[:-1]) & (measure[1:] != measure[:-1])):
            raise ValueError("a group belongs to one measure only; number cohorts within each measure")


@dataclass(frozen=True)
class Scores:
    """What was found about every cell; arrays of shape (cells,), nan where a cell is not scored.

    Attributes
    ----------
    expected, difference, interval_low, interval_high
        Mean of the unmarked siblings, the van minus it, and how well that difference is known (95 %).
    t, df, p, q
        Score, its nominal degrees of freedom, calibrated two-sided p-value, and that adjusted over the channel.
    p_cautious, robust
        p-value under the cautious null, and whether the cell stands out by it as well (`Rules.robust_q`).
    is_small_group, n_siblings, n_clean
        Few siblings; siblings with this reading; those left unmarked by pass 1.
    detectable
        Smallest difference that would have made this cell a finding at the p-value cut-off in use.
    sibling_median, sibling_low, sibling_high
        Median of all siblings, and where a healthy van with as many scans falls 95 times in 100.
    shrunken_difference
        Difference drawn towards 0 by how little is known of it: for display, never for testing.
    tier, verdict
        Codes into `tiers.TIERS` and `tiers.VERDICTS`.
    is_scored, reason_no, reasons
        Whether there is a score, and why not: a place among `reasons`, words, "" where there is.
    cells_tested, p_cutoff, expected_by_chance
        Comparisons in the channel, the p-value at or below which one alone is a finding (their mean over the cells,
        as a matter of more cells asks more of each), and their product.
    d0
        Prior degrees of freedom in use.
    """

    expected: Floats
    difference: Floats
    interval_low: Floats
    interval_high: Floats
    t: Floats
    df: Floats
    p: Floats
    q: Floats
    p_cautious: Floats
    robust: Bools
    is_small_group: Bools
    detectable: Floats
    n_siblings: Ints
    n_clean: Floats
    sibling_median: Floats
    sibling_low: Floats
    sibling_high: Floats
    shrunken_difference: Floats
    tier: Ints
    verdict: Ints
    is_scored: Bools
    reason_no: Ints
    reasons: tuple[str, ...]
    cells_tested: int
    p_cutoff: float
    expected_by_chance: float
    d0: float

    @property
    def tier_names(self) -> Names:
        """Tier of every cell in words."""
        return np.array(TIERS)[self.tier]

    @property
    def verdict_names(self) -> Names:
        """Verdict on every cell in words."""
        return np.array(VERDICTS)[self.verdict]

    @property
    def reason(self) -> Names:
        """In words why a cell has no score, "" where there is one."""
        return np.array(self.reasons)[self.reason_no]
