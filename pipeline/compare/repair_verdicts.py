"""What became of a piece of work: verdicts drawn from the evidence of `repairs`, one case per reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.multiplicity import benjamini_hochberg
from pipeline.compare.repairs import Against

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

VERDICTS = ("held", "not_held", "no_effect", "too_early", "not_judged")
"""What became of a piece of work in one reading; a verdict's code is its place here."""

REASONS = (
    "level_again", "still_off", "off_again", "off_since", "was_not_off", "undecided", "moved_inside",
    "few_after", "few_before", "few_siblings", "cut_short",
)  # fmt: skip
"""Why, as keys that the words are made from."""

HELD, NOT_HELD, NO_EFFECT, TOO_EARLY, NOT_JUDGED = range(5)


@dataclass(frozen=True)
class Evidence:
    """What a verdict is made from, shape (cases,).

    Parameters
    ----------
    before, after, late, effect : Against
        The van against its siblings before, after, in the newest scans after, and by its change.
    beyond_p : (cases,) float
        p-value of the change beyond regression to the mean.
    n_before, n_after : (cases,) int
        Scans of the van on each side.
    is_cut_short : (cases,) bool
        The next work on the part came so soon that no more scans after can follow.
    smallest_useful : (cases,) float
        Smallest difference that matters in the workshop; 0 where none is known.
    """

    before: Against
    after: Against
    late: Against
    effect: Against
    beyond_p: Floats
    n_before: Ints
    n_after: Ints
    is_cut_short: Bools
    smallest_useful: Floats


@dataclass(frozen=True)
class Judged:
    """Verdicts and reasons as places in `VERDICTS` and `REASONS`, q-values over the cases that can be judged.

    `effect_q` belongs to the change, `after_q` to the difference after; nan where nothing can be judged.
    """

    verdict: Ints
    reason: Ints
    effect_q: Floats
    after_q: Floats


def _cannot(seen: Evidence, least_scans: int) -> list[tuple[Bools, int, str]]:
    """Say which cases cannot be judged, and why."""
    unknown = np.isnan(seen.effect.p) | np.isnan(seen.before.p) | np.isnan(seen.after.p)
    return [
        ((seen.n_after < least_scans) & ~seen.is_cut_short, TOO_EARLY, "few_after"),
        (seen.n_after < least_scans, NOT_JUDGED, "cut_short"),
        (seen.n_before < least_scans, NOT_JUDGED, "few_before"),
        (unknown, NOT_JUDGED, "few_siblings"),
    ]


def judge(seen: Evidence, least_scans: int, alpha: float = 0.05, most_q: float = 0.20) -> Judged:
    """Return what became of every case.

    Off means outside where 95 of 100 healthy siblings with as many scans fall, by at least the smallest useful
    difference. Held: off before, level after, and moved back by more than chance and regression to the mean explain.
    Not held: off before and after, or level first and off again in the newest scans by at least half of what it was,
    or off only since the work and moved. All else has no effect that can be seen. What accuses the work, or speaks
    for it, must hold among all cases judged as well (q), since each piece of work touches many readings.

    Parameters
    ----------
    seen : Evidence
    least_scans : int
        Scans needed on each side.
    alpha : float
        Two-sided level of each comparison.
    most_q : float
        False discovery rate above which a move, or a difference after, is not told.
    """
    cannot = _cannot(seen, least_scans)
    can = ~np.any([mask for mask, _, _ in cannot], axis=0)
    effect_q = benjamini_hochberg(np.where(can, seen.effect.p, np.nan))
    after_q = benjamini_hochberg(np.where(can, seen.after.p, np.nan))
    before, change, late = seen.before.difference, seen.effect.difference, seen.late.difference

    def is_off(found: Against) -> Bools:
        return (found.p <= alpha) & (np.abs(found.difference) >= seen.smallest_useful)

    with np.errstate(invalid="ignore"):
        off_before, off_after = is_off(seen.before), is_off(seen.after)
        moved = (seen.effect.p <= alpha) & (effect_q <= most_q) & (np.abs(change) >= seen.smallest_useful)
        back = moved & (seen.beyond_p <= alpha) & (change * before < 0)
        still = off_after & (after_q <= most_q)
        returned = is_off(seen.late) & (late * before > 0) & (np.abs(late) >= np.abs(before) / 2)
    cases = [
        *cannot,
        (off_before & still, NOT_HELD, "still_off"),
        (off_before & back & returned, NOT_HELD, "off_again"),
        (off_before & back & ~off_after, HELD, "level_again"),
        (off_before, NO_EFFECT, "undecided"),
        (still & moved, NOT_HELD, "off_since"),
        (moved, NO_EFFECT, "moved_inside"),
    ]
    which = [mask for mask, _, _ in cases]
    verdict = np.select(which, [v for _, v, _ in cases], NO_EFFECT)
    reason = np.select(which, [REASONS.index(r) for _, _, r in cases], REASONS.index("was_not_off"))
    return Judged(verdict.astype(np.int64), reason.astype(np.int64), effect_q, after_q)
