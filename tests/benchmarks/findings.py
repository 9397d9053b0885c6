"""How far the findings can be trusted: every target of the method, and four rivals on the same rows.

    uv run --group benchmark python -m tests.benchmarks.findings [--fleets 100] [--write]

`--write` renews docs/findings_benchmark.md and its picture. Seeded: the same command gives the same figures.
Shares carry 95 % Wilson intervals, counts a fleet exact Poisson ones, means of fleets 1.96 standard errors.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.compare.intervals import wilson
from tests.benchmarks.rivals import WAYS
from tests.benchmarks.row_fleets import Kind, draw_fleet

MIXED = (4, 5, 6, 7, 9, 11, 14, 24)
BY_SIBLINGS = {4: (5,) * 16, 8: (9,) * 9, 16: (17,) * 5}
_MIXED = Kind(MIXED)


@dataclass(frozen=True)
class Setting:
    """One line of the table: a kind of fleet, and what the score promises on it ("" where nothing)."""

    name: str
    kind: Kind
    promise: str = ""


def list_settings() -> list[Setting]:
    """Return every setting, healthy fleets first."""
    eight = Kind(BY_SIBLINGS[8])
    levels = [
        Setting(f"{n} siblings, {sigma} sigma", Kind(sizes, faults=2, sigma=float(sigma)), _recall(n, sigma))
        for n, sizes in BY_SIBLINGS.items()
        for sigma in (4, 6, 8)
    ]
    return [
        *(Setting(f"healthy, {n} siblings", Kind(sizes), "false <= 0.2") for n, sizes in BY_SIBLINGS.items()),
        Setting("healthy, cohorts of 4 to 24", _MIXED, "false <= 0.2"),
        Setting("healthy, cohort variances scatter", replace(_MIXED, variance_df=8.0), "false <= 0.2"),
        Setting("healthy, heavy tails (t, 5 df)", replace(_MIXED, tail_df=5.0)),
        *levels,
        Setting("cohorts of 4 to 24, 6 sigma", replace(_MIXED, faults=6, sigma=6.0), "FDR <= 0.06"),
        Setting("cohorts of 4 to 24, 8 sigma", replace(_MIXED, faults=6, sigma=8.0), "FDR <= 0.06"),
        Setting(
            "heavy tails, 8 sigma", replace(_MIXED, faults=6, sigma=8.0, tail_df=5.0), "robust FDR <= 0.15"
        ),
        Setting("two faulty siblings, 8 sigma", replace(eight, faults=6, sigma=8.0, is_in_pairs=True)),
        Setting("two or three scans, 6 sigma", replace(eight, faults=6, sigma=6.0, scans=(2, 3))),
        *(
            Setting(
                f"30 faults, {sigma} sigma",
                replace(eight, faults=30, sigma=float(sigma)),
                f"top ten >= {least}",
            )
            for sigma, least in ((3, 0.65), (4, 0.90), (6, 0.98))
        ),
    ]


def _recall(siblings: int, sigma: int) -> str:
    least = {(4, 6): 0.25, (8, 6): 0.75, (16, 6): 0.90, (4, 8): 0.85, (8, 8): 0.97, (16, 8): 0.99}
    return f"recall >= {least[siblings, sigma]:.2f}" if (siblings, sigma) in least else ""


@dataclass(frozen=True)
class Counts:
    """What one way did on the fleets of a setting, one entry per fleet: shape (fleets,)."""

    planted: NDArray[np.int64]
    found: NDArray[np.int64]
    false: NDArray[np.int64]
    top_ten: NDArray[np.int64]
    robust_found: NDArray[np.int64]
    robust_false: NDArray[np.int64]

    @property
    def recall(self) -> tuple[float, float, float]:
        """Share of planted faults named, with its interval; nan where none was planted."""
        total = int(self.planted.sum())
        if not total:
            return np.nan, np.nan, np.nan
        low, high = wilson(self.found.sum(), total)
        return float(self.found.sum() / total), float(low), float(high)

    @property
    def false_rate(self) -> tuple[float, float, float]:
        """False names a fleet with the exact Poisson interval."""
        total, fleets = int(self.false.sum()), len(self.false)
        low = stats.chi2.ppf(0.025, 2 * total) / 2 / fleets if total else 0.0
        return total / fleets, float(low), float(stats.chi2.ppf(0.975, 2 * total + 2) / 2 / fleets)

    @property
    def discovery_rate(self) -> tuple[float, float]:
        """Mean share of names that are false (0 where nothing is named), and 1.96 standard errors."""
        return _mean_and_error(self.false / np.maximum(self.found + self.false, 1))

    @property
    def robust_discovery_rate(self) -> tuple[float, float]:
        """The same among those with the robust mark."""
        return _mean_and_error(self.robust_false / np.maximum(self.robust_found + self.robust_false, 1))

    @property
    def precision(self) -> tuple[float, float]:
        """Mean share of planted faults among the ten best."""
        return _mean_and_error(self.top_ten / 10)


def _mean_and_error(values: NDArray[np.float64]) -> tuple[float, float]:
    return float(values.mean()), float(1.96 * values.std() / np.sqrt(len(values)))


def count_fleet(seed: int, kind: Kind, ways: tuple[str, ...]) -> NDArray[np.int64]:
    """Return planted, found, false, top ten, robust found and robust false of every way on one fleet."""
    fleet = draw_fleet(kind, seed)
    counted = []
    for way in ways:
        named = WAYS[way](fleet)
        best = np.argsort(named.order.ravel(), kind="stable")[:10]
        robust = named.is_named if named.is_robust is None else named.is_robust
        parts = (
            fleet.is_faulty,
            named.is_named & fleet.is_faulty,
            named.is_named & ~fleet.is_faulty,
            fleet.is_faulty.ravel()[best],
            robust & fleet.is_faulty,
            robust & ~fleet.is_faulty,
        )
        counted.append([int(part.sum()) for part in parts])
    return np.array(counted)


def count_setting(kind: Kind, fleets: int, ways: tuple[str, ...], workers: int = 2) -> dict[str, Counts]:
    """Run every way on the same fleets."""
    run = partial(count_fleet, kind=kind, ways=ways)
    if workers > 1:
        with ProcessPoolExecutor(workers) as pool:
            counted = np.stack(list(pool.map(run, range(fleets), chunksize=5)))
    else:
        counted = np.stack([run(seed) for seed in range(fleets)])
    return {way: Counts(*counted[:, i, :].T) for i, way in enumerate(ways)}


def is_kept(promise: str, counts: Counts) -> bool | None:
    """Whether a promise holds for what was measured; None where nothing is promised."""
    if not promise:
        return None
    what, sign, figure = promise.rsplit(" ", 2)
    measured = {
        "false": counts.false_rate[0],
        "recall": counts.recall[0],
        "FDR": counts.discovery_rate[0],
        "robust FDR": counts.robust_discovery_rate[0],
        "top ten": counts.precision[0],
    }[what]
    return measured <= float(figure) if sign == "<=" else measured >= float(figure)


def main() -> None:
    """Run the benchmark; with --write, renew its page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=100)
    parser.add_argument("--write", action="store_true", help="renew docs/findings_benchmark.md")
    given = parser.parse_args()
    results = []
    for setting in list_settings():
        found = count_setting(setting.kind, given.fleets, tuple(WAYS))
        results.append((setting, found))
        for way, counts in found.items():
            false, recall = counts.false_rate, counts.recall
            sys.stdout.write(
                f"{setting.name:34s} {way:17s} recall {recall[0]:.2f} [{recall[1]:.2f}, {recall[2]:.2f}]"
                f" false a fleet {false[0]:.2f} [{false[1]:.2f}, {false[2]:.2f}]"
                f" FDR {counts.discovery_rate[0]:.3f} top ten {counts.precision[0]:.2f}\n"
            )
        sys.stdout.flush()
    if given.write:
        from tests.benchmarks.findings_page import write_page

        write_page(results, given.fleets)


if __name__ == "__main__":
    main()
