"""How often the score is wrong on healthy fleets and how often it finds a planted fault, with the shipped tables.

    python -m tests.benchmarks.healthy_fleets [fleets a setting]

Every fleet is 18 measures on about 80 vans (about 1,450 cells), seeded by its number. Cohort variances scatter (d0
= 8 unless said), vans have 2 to 20 scans, and scans scatter (w2 = half the variance between vans). A fault is
a shift of so many standard deviations of a healthy van's value: sqrt(tau2 + w2/m) of its own cohort. In the change
channel values are the mean of 4 recent scans minus that of 8 earlier ones, and sigma is tau, the spread of levels
between vans, so that both channels answer for the same fault.
Intervals are 95 % Wilson for shares and exact Poisson for counts per fleet.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.compare.intervals import wilson
from pipeline.compare.score import Cells, NullTables, Rules, Scores, score_cells

MEASURES = 18
MIXED = (4, 5, 6, 7, 9, 11, 14, 24)


@dataclass(frozen=True)
class Setting:
    """How the vans of a simulated fleet are."""

    cohorts: tuple[int, ...]
    d0: float = 8.0
    law_df: float = np.inf
    noise: float = 0.5
    scans: tuple[int, int] = (2, 20)
    measures: int = MEASURES
    is_change: bool = False


def simulate_fleet(
    rng: np.random.Generator, setting: Setting, faults: int = 0, sigma: float = 0.0
) -> tuple[Cells, NDArray[np.bool_]]:
    """Return one fleet and which of its cells are faulty."""
    sizes = np.array(setting.cohorts)
    vans, cohorts, measures = int(sizes.sum()), len(sizes), setting.measures
    cohort = np.repeat(np.arange(cohorts), sizes)
    scans = rng.integers(setting.scans[0], setting.scans[1] + 1, vans)
    unit = 10.0 ** rng.uniform(-2, 3, measures)
    spread = np.ones((measures, cohorts))
    if np.isfinite(setting.d0):
        spread = np.sqrt(setting.d0 / rng.chisquare(setting.d0, (measures, cohorts)))
    between = rng.standard_normal((measures, vans))
    if np.isfinite(setting.law_df):
        df = setting.law_df
        between = rng.standard_t(df, (measures, vans)) / np.sqrt(df / (df - 2))
    between *= spread[:, cohort]
    scale = np.sqrt(spread[:, cohort] ** 2 + setting.noise / scans)
    if setting.is_change:
        scans = np.full(vans, 1 / (1 / 4 + 1 / 8))
        scale, between = spread[:, cohort], np.zeros((measures, vans))
    values = between + rng.standard_normal((measures, vans)) * np.sqrt(setting.noise / scans)
    is_faulty = np.zeros(values.shape, dtype=bool)
    is_faulty.ravel()[rng.choice(values.size, faults, replace=False)] = True
    values += is_faulty * sigma * scale * rng.choice((-1.0, 1.0), values.shape)
    values = (values + rng.uniform(-9, 9, (measures, cohorts))[:, cohort]) * unit[:, None]
    number = np.repeat(np.arange(measures), vans)
    cells = Cells(
        measure=number,
        group=number * cohorts + np.tile(cohort, measures),
        y=values.ravel(),
        m=np.tile(scans.astype(np.float64), measures),
        scans=np.full(vans * measures, 2.0),
        w2=setting.noise * unit**2,
        resolution=unit * 1e-3,
        smallest_useful=np.full(measures, np.nan),
    )
    return cells, is_faulty.ravel()


def score_fleet(cells: Cells) -> Scores:
    """Score with the tables and rules as shipped."""
    return score_cells(cells, NullTables.load(), Rules())


def count_false_findings(
    setting: Setting, fleets: Iterable[int]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return, per healthy fleet, the cells that are findings, and those marked robust."""
    plain, robust = [], []
    for fleet in fleets:
        scores = score_fleet(simulate_fleet(np.random.default_rng([1, fleet]), setting)[0])
        plain.append(int((scores.tier == 0).sum()))
        robust.append(int((scores.robust & (scores.tier == 0)).sum()))
    return np.array(plain), np.array(robust)


@dataclass(frozen=True)
class Found:
    """What was found in fleets with planted faults, one entry per fleet: planted, found, false; robust ones; top ten."""

    planted: NDArray[np.int64]
    found: NDArray[np.int64]
    false: NDArray[np.int64]
    robust_found: NDArray[np.int64]
    robust_false: NDArray[np.int64]
    top_ten: NDArray[np.int64]


def count_found(setting: Setting, sigma: float, faults: int, fleets: Iterable[int]) -> Found:
    """Plant faults in fleets, score them, and count per fleet."""
    rows = []
    for fleet in fleets:
        cells, is_faulty = simulate_fleet(np.random.default_rng([2, fleet]), setting, faults, sigma)
        scores = score_fleet(cells)
        is_finding = scores.tier == 0
        found, false = is_finding & is_faulty, is_finding & ~is_faulty
        best = np.argsort(np.where(scores.is_scored, scores.p, 2.0), kind="stable")[:10]
        parts = (is_faulty, found, false, found & scores.robust, false & scores.robust, is_faulty[best])
        rows.append([int(part.sum()) for part in parts])
    return Found(*np.array(rows).T)


def speed() -> None:
    """Time to score 960 vans in 100 measures, middle of three."""
    cells, _ = simulate_fleet(np.random.default_rng(0), Setting(MIXED * 12, measures=100))
    taken = []
    for _ in range(3):
        started = time.process_time()
        tested = score_fleet(cells).cells_tested
        taken.append(time.process_time() - started)
    _say(f"{tested:,} comparisons: {sorted(taken)[1]:.2f} s of the processors")


def main() -> None:
    """Print every target of the score beside what was measured."""
    fleets = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    speed()
    mixed = Setting(MIXED)
    healthy = {
        "mixed 4-24": mixed,
        "mixed, d0 = 3": replace(mixed, d0=3.0),
        "mixed, equal variances": replace(mixed, d0=np.inf),
        "mixed, no scan noise": replace(mixed, noise=0.0),
        "mixed, scan noise 8 tau2": replace(mixed, noise=8.0),
        "mixed, 1-20 scans, noise 2": replace(mixed, noise=2.0, scans=(1, 20)),
        "16 x 5 vans": Setting((5,) * 16),
        "9 x 9 vans": Setting((9,) * 9),
        "5 x 17 vans": Setting((17,) * 5),
        "3 x 27 vans": Setting((27,) * 3),
        "3 cohorts 24, 5, 5 x 42 measures": Setting((24, 5, 5), measures=42),
        "3 cohorts 24, 5, 5, equal variances": Setting((24, 5, 5), d0=np.inf, measures=42),
        "3 cohorts 6, 8, 10, 6 measures": Setting((6, 8, 10), measures=6),
        "3 cohorts of 5, 90 measures": Setting((5,) * 3, measures=90),
        "2 cohorts of 40 (nothing pooled)": Setting((40, 40)),
        "vans t with 8 df, mixed": replace(mixed, law_df=8.0),
        "vans t with 5 df, mixed": replace(mixed, law_df=5.0),
        "vans t with 3 df, mixed": replace(mixed, law_df=3.0),
    }
    _say("healthy fleets: false findings per fleet [95 %], share of fleets with any, marked robust per fleet")
    for name, setting in healthy.items():
        plain, robust = count_false_findings(setting, range(fleets))
        low, high = wilson((plain > 0).sum(), fleets)
        _say(
            f"  {name:38s} {_rate(plain)}   any {np.mean(plain > 0):.2f} [{low:.2f}, {high:.2f}]"
            f"   robust {_rate(robust)}"
        )
    say_recall(fleets)


def say_recall(fleets: int) -> None:
    """Print recall and false discovery rates, level and change."""
    mixed = Setting(MIXED)
    settings = {
        "4 siblings, equal variances": Setting((5,) * 16, d0=np.inf),
        "8 siblings, equal variances": Setting((9,) * 9, d0=np.inf),
        "16 siblings, equal variances": Setting((17,) * 5, d0=np.inf),
        "mixed 4-24, equal variances": replace(mixed, d0=np.inf),
        "4 siblings": Setting((5,) * 16),
        "8 siblings": Setting((9,) * 9),
        "16 siblings": Setting((17,) * 5),
        "mixed 4-24": mixed,
        "mixed, vans t 8 df": replace(mixed, law_df=8.0),
        "mixed, vans t 5 df": replace(mixed, law_df=5.0),
    }
    _say(
        "level: recall of 2 faults a fleet [95 %]; false discovery rate, all and robust (mean of fleets, 1.96 se)"
    )
    for name, setting in settings.items():
        for sigma in (3.0, 4.0, 5.0, 6.0, 8.0):
            _say_found(name, sigma, count_found(setting, sigma, 2, range(fleets)))
    _say("level: precision of the ten smallest p-values, 30 faults a fleet (2 % of cells), 8 siblings")
    for sigma in (3.0, 4.0, 6.0):
        top = count_found(Setting((9,) * 9, d0=np.inf), sigma, 30, range(fleets)).top_ten
        _say(f"  {sigma:.0f} sigma  {top.mean() / 10:.3f} +- {_error(top / 10):.3f}")
    _say("change, 8 earlier and 4 recent scans, 8 siblings: recall of 2 faults a fleet")
    for noise in (0.25, 0.5):
        setting = Setting((9,) * 9, d0=np.inf, noise=noise, is_change=True)
        for sigma in (2.0, 3.0):
            _say_found(f"w2 = {noise} tau2", sigma, count_found(setting, sigma, 2, range(fleets)))


def _say_found(name: str, sigma: float, found: Found) -> None:
    low, high = wilson(found.found.sum(), found.planted.sum())
    share = found.false / np.maximum(found.found + found.false, 1)
    robust = found.robust_false / np.maximum(found.robust_found + found.robust_false, 1)
    planted = found.planted.sum()
    _say(
        f"  {name:28s} {sigma:.0f} sigma  {found.found.sum() / planted:.2f} [{low:.2f}, {high:.2f}]"
        f"   FDR {share.mean():.3f} +- {_error(share):.3f}"
        f"   robust: recall {found.robust_found.sum() / planted:.2f}, FDR {robust.mean():.3f} +- {_error(robust):.3f}"
    )


def _error(values: NDArray[np.float64]) -> float:
    return float(1.96 * values.std() / np.sqrt(len(values)))


def _rate(counts: NDArray[np.int64]) -> str:
    total, fleets = int(counts.sum()), len(counts)
    low = stats.chi2.ppf(0.025, 2 * total) / 2 / fleets if total else 0.0
    high = stats.chi2.ppf(0.975, 2 * total + 2) / 2 / fleets
    return f"{total / fleets:.3f} [{low:.3f}, {high:.3f}]"


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
