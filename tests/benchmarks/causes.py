"""How often the cause engine names exactly the cause that was planted, and how often it names one where there is none.

    python -m tests.benchmarks.causes --fleets 100

Fleets are those of `cause_fleets`: 24 vans in three cohorts, 40 in four, 60 in six, 18 measures, 12 scans a van in a year,
scans scattering half as much as vans (w2 = tau2 / 2), four contrasts of three attributes. An answer is exact where the set of
causes named as a finding in the planted measure is what was planted, kind and subject, and nothing else. Intervals are 95 %
Wilson; those of the type I error rest on fleets x measures x contrasts, which are nearly independent.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np

from pipeline.compare.intervals import wilson
from tests.benchmarks.cause_fleets import (
    PLANTED_MEASURE,
    Plant,
    Shape,
    causes_of,
    draw_fleet,
    judge,
    planted_causes,
)

SHAPES = {
    "24 vans (8, 8, 8)": Shape((8, 8, 8)),
    "40 vans (12, 10, 10, 8)": Shape(),
    "60 vans (6 x 10)": Shape((10,) * 6),
}
PLANTS = {
    "none": (Plant(), 0.90),
    "reader 0.5 tau": (Plant("reader", 0.5), 0.95),
    "exposure 2 tau": (Plant("exposure", 2.0), 0.95),
    "cohort 3 tau": (Plant("cohort", 3.0), 0.85),
}
CONFOUNDED = Plant("reader", 4.0, is_confounded=True)


@dataclass(frozen=True)
class Tally:
    """Exact answers, fleets in which any other measure was blamed, and what was missed or added."""

    exact: int
    elsewhere: int
    wrong: Counter[tuple[str, ...]]


def tally(shape: Shape, plant: Plant, fleets: int, seed: int = 7) -> Tally:
    """Judge so many fleets and count."""
    exact, elsewhere, wrong = 0, 0, Counter[tuple[str, ...]]()
    for number in range(fleets):
        fleet = draw_fleet(np.random.default_rng([seed, number]), shape, plant)
        answer = judge(fleet)
        named, wanted = causes_of(answer), planted_causes(fleet, plant)
        exact += named == wanted
        elsewhere += any(causes_of(answer, m) for m in range(shape.measures) if m != PLANTED_MEASURE)
        if named != wanted:
            missed, added = (sorted({kind for kind, _ in s}) for s in (wanted - named, named - wanted))
            wrong[(*(f"missed {k}" for k in missed), *(f"added {k}" for k in added))] += 1
    return Tally(exact, elsewhere, wrong)


def count_silent(shape: Shape, fleets: int, seed: int = 8) -> int:
    """Count fleets in which vans read by one reader alone, 4 tau off, are not judged, and neither they nor it are blamed.

    What is told of other vans and cohorts of that measure rests on other scans, and is chance.
    """
    silent = 0
    for number in range(fleets):
        fleet = draw_fleet(np.random.default_rng([seed, number]), shape, CONFOUNDED)
        answer = judge(fleet)
        alone = np.unique(fleet.van[fleet.reader == 1])
        blamed = [k for k, subject in causes_of(answer) if k == "reader" or (k == "van" and subject in alone)]
        silent += not answer.judged[:, alone].any() and not blamed
    return silent


def type_one(shape: Shape, fleets: int, seed: int = 9) -> dict[str, tuple[int, int]]:
    """Return, for reader and exposure tests, how many p-values of healthy fleets are below 0.05, and of how many."""
    seen = {"reader": np.zeros(2, int), "exposure": np.zeros(2, int)}
    for number in range(fleets):
        answer = judge(draw_fleet(np.random.default_rng([seed, number]), shape, Plant()))
        for kind, p in (("reader", answer.effects.readers.p), ("exposure", answer.exposures.p_alone)):
            known = p[np.isfinite(p)]
            seen[kind] += (int((known < 0.05).sum()), len(known))
    return {kind: (int(hits), int(n)) for kind, (hits, n) in seen.items()}


def _share(hits: int, n: int) -> str:
    low, high = wilson(hits, n)
    return f"{hits / n:.3f} [{low:.3f}, {high:.3f}]"


def main() -> None:
    """Print every target beside what was measured."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=100)
    given = parser.parse_args()
    for name, shape in SHAPES.items():
        _say(f"{name}, {given.fleets} fleets a setting")
        for what, (plant, target) in PLANTS.items():
            found = tally(shape, plant, given.fleets)
            wrong = "; ".join(f"{', '.join(k)}: {n}" for k, n in found.wrong.most_common())
            _say(
                f"  exact cause, {what:15s} {_share(found.exact, given.fleets)} (target {target:.2f})   "
                f"fleets with any other measure blamed {found.elsewhere / given.fleets:.2f}   {wrong}"
            )
        _say(
            f"  confounded reader silent     {_share(count_silent(shape, given.fleets), given.fleets)} (target 1)"
        )
        for kind, (hits, n) in type_one(shape, given.fleets).items():
            _say(
                f"  type I error of {kind:8s} tests at 5 %  {_share(hits, n)} of {n:,} (target 0.03 to 0.07)"
            )


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
