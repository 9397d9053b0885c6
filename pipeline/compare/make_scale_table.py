"""Make `scale_table.csv` and `trim_table.csv`, the small-sample constants of the two passes. Seeded and re-runnable.

    python -m pipeline.compare.make_scale_table

scale_table: for each n, groups of n standard normal values (seed 12345 + n) give c and df such that (c Qn)^2 has the
same mean and variance of its logarithm as chi2_df / df: var(log chi2_df) = trigamma(df / 2) and
E(log(chi2_df / df)) = digamma(df / 2) - log(df / 2). About four minutes on one core.

trim_table: for each cohort size N, what marking does to the logarithm of the variance between the unmarked vans of a
healthy cohort, winsorised from below: shift of the mean, ratio of the variances. About one minute.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy import special

from pipeline.compare.moderation import inverse_trigamma, log_chi_square_moments
from pipeline.compare.scale import raw_qn
from pipeline.compare.score_passes import LOWEST_LOG, describe_cohorts, mark_suspects

SEED = 12345
SIZES = (*range(3, 62), 80, 81, 120, 121, 200, 201)
GROUPS, GROUPS_OF_LARGE = 200_000, 20_000
COHORT_SIZES = (*range(4, 26), 30, 31, 40, 41, 61, 100, 150)
COHORTS, COHORTS_OF_LARGE = 200_000, 25_000


def main() -> None:
    """Write both tables beside this module."""
    write_scale_table()
    write_trim_table()


def write_scale_table() -> None:
    """Write c, df and kappa of every group size."""
    lines = ["n,factor,df,var_median"]
    for n in SIZES:
        factor, df, var_median = match_chi_square(n, GROUPS if n <= 61 else GROUPS_OF_LARGE)
        lines.append(f"{n},{factor:.5f},{df:.5f},{var_median:.6f}")
    _write("scale_table.csv", lines)


def write_trim_table() -> None:
    """Write what marking does to the logarithm of the variance, by cohort size."""
    lines = ["n_vans,mean_shift,variance_ratio"]
    for vans in COHORT_SIZES:
        shift, ratio = measure_trimming(vans, COHORTS if vans <= 25 else COHORTS_OF_LARGE)
        lines.append(f"{vans},{shift:.5f},{ratio:.5f}")
    _write("trim_table.csv", lines)


def match_chi_square(n: int, groups: int) -> tuple[float, float, float]:
    """Return (c, df, variance of the median) for groups of n standard normal values."""
    values = np.random.default_rng(SEED + n).standard_normal((groups, n))
    log_square = 2 * np.log(raw_qn(values))
    df = 2 * float(inverse_trigamma(np.array([log_square.var()]))[0])
    wanted = float(special.digamma(df / 2) - np.log(df / 2))
    factor = float(np.exp((wanted - log_square.mean()) / 2))
    return factor, df, float(np.median(values, axis=1).var())


def measure_trimming(vans: int, cohorts: int) -> tuple[float, float]:
    """Return (shift of the mean, ratio of the variance) of log s2 after marking, against chi2 with N - 1 df."""
    values = np.random.default_rng(SEED + 1000 + vans).standard_normal((cohorts, vans))
    s2, _ = describe_cohorts(values, ~mark_suspects(values, np.zeros(cohorts)))
    mean, variance = log_chi_square_moments(np.array(vans - 1.0))
    log_s2 = np.maximum(np.log(s2), mean - LOWEST_LOG * np.sqrt(variance))
    return float(log_s2.mean() - mean), float(log_s2.var() / variance)


def _write(name: str, lines: list[str]) -> None:
    Path(__file__).with_name(name).write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
