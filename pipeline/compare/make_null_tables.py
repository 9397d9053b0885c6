"""Make `null_tables.npz`: what the two passes give on healthy vans. Seeded and re-runnable.

    python -m pipeline.compare.make_null_tables

For every number of siblings, estimated d0 and number of cohorts it simulates healthy measures with the functions the
score itself uses, and keeps the calibration curve of |t|, twice: between-van differences from the normal law, and
from the t law with 8 df. Cohort variances scatter as d0 says, and since d0 is itself an estimate (18 measures are
assumed) the true scatter is drawn around it. Scans per van run from 1 to 20. About 15 minutes on one core.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from pipeline.compare import score_passes
from pipeline.compare.calibration import fit_curve, measure_surprise
from pipeline.compare.moderation import average_logs, inverse_trigamma, log_chi_square_moments, moderate
from pipeline.compare.nulls import CAUTIOUS_DF, Law, law_df

Floats = NDArray[np.float64]

SEED = 20251
N_SIBLINGS = (3, 4, 5, 6, 8, 10, 12, 16, 20, 30, 60)
D0 = (0.0, 2.0, 4.0, 8.0, 16.0, 40.0, np.inf)
COHORTS = (1.0, 2.0, 3.0, 5.0, 12.0, np.inf)
NOISE_SHARE = (0.0, 0.25, 0.55, 0.85)
NOISE_EDGES = (0.1, 0.4, 0.7, np.inf)
RELATIVE_SCANS = (0.25, 0.5, 1.0, 2.0, 4.0)
RELATIVE_EDGES = (0.0, 0.35, 0.71, 1.41, 2.83, np.inf)
MOST_SCANS = 20
MEASURES_BEHIND_D0 = 18
MANY_COHORTS = 200
CELLS: dict[Law, tuple[int, int]] = {"normal": (500_000, 700_000), "cautious": (250_000, 250_000)}
"""Vans simulated per point of the grid: without scan noise, and with (these are shared out over 15 bins)."""


@dataclass(frozen=True)
class _Passed:
    """Cohorts after pass 1, in units of their own standard deviation."""

    values: Floats
    inverse_scans: Floats
    siblings: score_passes.Siblings
    s2: Floats


def main() -> None:
    """Write the tables beside this module."""
    laws: tuple[Law, ...] = ("normal", "cautious")
    tables = {law: simulate_law(law).astype(np.float32) for law in laws}
    np.savez_compressed(
        Path(__file__).with_name("null_tables.npz"),
        n_siblings=np.array(N_SIBLINGS, dtype=np.float64),
        d0=np.array(D0),
        cohorts=np.array(COHORTS),
        noise_share=np.array(NOISE_SHARE),
        relative_scans=np.array(RELATIVE_SCANS),
        normal=tables["normal"],
        cautious=tables["cautious"],
    )


def simulate_law(law: Law) -> Floats:
    """Return the curves of one null, shape (n, d0, cohorts, noise share, relative scans, 8)."""
    rows = [simulate_size(law, n) for n in N_SIBLINGS]
    return smooth_noisy(np.stack(rows))


def simulate_size(law: Law, n: int) -> Floats:
    """Return the curves of one number of siblings, shape (d0, cohorts, noise share, relative scans, 8)."""
    rng = np.random.default_rng([SEED, n, law == "cautious"])
    plain_cells, noisy_cells = CELLS[law]
    shape = (-(-plain_cells // (n + 1)), n + 1)
    plain = _pass_one(_draw(rng, law, shape), np.ones(shape))
    result = np.empty((len(D0), len(COHORTS), len(NOISE_SHARE), len(RELATIVE_SCANS), 8))
    for i, d0 in enumerate(D0):
        for j, cohorts in enumerate(COHORTS):
            if d0 == 0 and j:
                result[i, j] = result[i, 0]
                continue
            variance = _draw_cohort_variances(rng, d0, cohorts, shape[0], n + 1)
            t, df, _, _ = _score(plain, variance, np.zeros(shape[0]), d0, cohorts)
            result[i, j, 0] = fit_curve(_surprise(law, t, df, n, cohorts))
            result[i, j, 1:] = _simulate_noisy(rng, law, n, d0, cohorts, noisy_cells)
    return result


def smooth_noisy(curves: Floats) -> Floats:
    """Average the curves with scan noise over neighbouring numbers of siblings (1/4, 1/2, 1/4).

    They rest on a fifteenth of the vans each, and vary slowly with n.
    """
    noisy = curves[:, :, :, 1:]
    padded = np.concatenate((noisy[:1], noisy, noisy[-1:]))
    result = curves.copy()
    result[:, :, :, 1:] = (padded[:-2] + 2 * noisy + padded[2:]) / 4
    return result


def _simulate_noisy(
    rng: np.random.Generator, law: Law, n: int, d0: float, cohorts: float, cells: int
) -> Floats:
    count = -(-cells // (n + 1))
    shape = (count, n + 1)
    variance = _draw_cohort_variances(rng, d0, cohorts, count, n + 1)
    inverse_scans = MOST_SCANS ** -rng.random(shape)
    typical = (1 - 1 / MOST_SCANS) / np.log(MOST_SCANS)
    w2 = np.repeat(rng.random(-(-count // _group(cohorts))), _group(cohorts))[:count] / typical
    between = np.maximum(0.0, variance - w2 * typical)
    values = _draw(rng, law, shape) * np.sqrt(between)[:, None]
    values += rng.standard_normal(shape) * np.sqrt(w2[:, None] * inverse_scans)
    passed = _pass_one(values, inverse_scans)
    t, df, prior, siblings = _score(passed, np.ones(count), w2, d0, cohorts)
    u = _surprise(law, t, df, n, cohorts)
    noise = (w2[:, None] * siblings.inverse_scans / prior).ravel()
    relative = (siblings.inverse_scans / inverse_scans).ravel()
    curves = np.empty((len(NOISE_SHARE) - 1, len(RELATIVE_SCANS), 8))
    for i in range(curves.shape[0]):
        for j in range(curves.shape[1]):
            is_here = (noise >= NOISE_EDGES[i]) & (noise < NOISE_EDGES[i + 1])
            is_here &= (relative >= RELATIVE_EDGES[j]) & (relative < RELATIVE_EDGES[j + 1])
            curves[i, j] = fit_curve(u[is_here])
    return curves


def _surprise(law: Law, t: Floats, df: Floats, n: int, cohorts: float) -> Floats:
    return measure_surprise(t, law_df(law, df, np.array(float(n)), np.array(cohorts))).ravel()


def _draw(rng: np.random.Generator, law: Law, shape: tuple[int, int]) -> Floats:
    if law == "normal":
        return rng.standard_normal(shape)
    return cast(Floats, rng.standard_t(CAUTIOUS_DF, shape) / np.sqrt(CAUTIOUS_DF / (CAUTIOUS_DF - 2)))


def _draw_cohort_variances(
    rng: np.random.Generator, d0: float, cohorts: float, count: int, vans: int
) -> Floats:
    """Draw cohort variances such that a fleet of such measures would be estimated to have this d0.

    The estimate of the excess variance trigamma(d0/2) scatters by about v sqrt(2.5 / (measures (cohorts - 1))), v being
    the variance of one cohort's log variance, so the truth is drawn from a normal of that width cut off at 0.
    """
    if d0 == 0:
        return np.ones(count)
    estimate = float(log_chi_square_moments(np.array(d0))[1]) if np.isfinite(d0) else 0.0
    one = estimate + float(score_passes.trimmed_log_moments(np.array([vans]))[1][0])
    width = 0.0 if np.isinf(cohorts) else one * np.sqrt(2.5 / (MEASURES_BEHIND_D0 * (max(cohorts, 2) - 1)))
    measures = -(-count // _group(cohorts))
    excess = estimate + width * rng.standard_normal(measures)
    while np.any(excess < 0):
        excess = np.where(excess < 0, estimate + width * rng.standard_normal(measures), excess)
    excess = np.repeat(excess, _group(cohorts))[:count]
    true_d0 = 2 * inverse_trigamma(np.maximum(excess, 1e-6))
    return np.where(excess > 1e-6, true_d0 / rng.chisquare(true_d0), 1.0)


def _group(cohorts: float) -> int:
    return MANY_COHORTS if np.isinf(cohorts) else int(cohorts)


def _pass_one(values: Floats, inverse_scans: Floats) -> _Passed:
    is_clean = ~score_passes.mark_suspects(values, np.zeros(len(values)))
    siblings = score_passes.describe_siblings(values, inverse_scans, is_clean)
    return _Passed(values, inverse_scans, siblings, score_passes.describe_cohorts(values, is_clean)[0])


def _score(
    passed: _Passed, variance: Floats, w2: Floats, d0: float, cohorts: float
) -> tuple[Floats, Floats, Floats, score_passes.Siblings]:
    """Pass 2 on cohorts whose values still have to be stretched to the given variances.

    Returns t, df, the variance the noise share is held against (s02, or the cohort's own where nothing is
    pooled) and the siblings, shapes (count, N) but for the third, (count, 1).
    """
    stretch = np.sqrt(variance)[:, None]
    before = passed.siblings
    siblings = score_passes.Siblings(
        before.n, before.mean * stretch, before.s2 * stretch**2, before.inverse_scans
    )
    s2 = passed.s2 * variance
    vans = passed.values.shape[1]
    if d0 == 0:
        prior = np.exp(np.log(s2) - score_passes.trimmed_log_moments(np.array([vans]))[0])
    else:
        prior = _fit_s02(s2, vans, d0, _group(cohorts))
    shared = np.broadcast_to(prior[:, None], passed.values.shape)
    worth = np.broadcast_to(np.float64(d0), passed.values.shape)
    moderated = moderate(siblings.s2, siblings.n - 1, shared, worth)
    statistic = score_passes.set_against_siblings(
        passed.values * stretch, passed.inverse_scans, siblings, moderated, worth, w2[:, None]
    )
    return statistic.t, statistic.df, prior[:, None], siblings


def _fit_s02(s2: Floats, vans: int, d0: float, group: int) -> Floats:
    """Return s02 of every cohort's measure, from the logarithms of the variances of its cohorts."""
    log_mean, log_variance = score_passes.trimmed_log_moments(np.array([vans]))
    excess = float(log_chi_square_moments(np.array(d0))[1]) if np.isfinite(d0) else 0.0
    measure = np.minimum(np.arange(len(s2)) // group, max(0, len(s2) // group - 1))
    variance = np.full(len(s2), float(log_variance[0]) + excess)
    _, mean, _ = average_logs(
        np.log(s2) - log_mean, variance, measure, int(measure[-1]) + 1, score_passes.LOWEST_LOG
    )
    offset = float(log_chi_square_moments(np.array(d0))[0]) if np.isfinite(d0) else 0.0
    return np.exp(mean[measure] + offset)


if __name__ == "__main__":
    main()
