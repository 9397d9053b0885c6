"""Qn and the median with the van left out, against published factors and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special
from statsmodels.robust.scale import qn_scale

from pipeline.compare.make_scale_table import match_chi_square, measure_trimming
from pipeline.compare.scale import leave_one_out_median, leave_one_out_qn, load_scale_table, qn_rank, raw_qn
from pipeline.compare.score_passes import trimmed_log_moments

# Copper in wholemeal flour, Analytical Methods Committee 1989 (data set chem of MASS);
# Qn = 0.73231 as in the test suite of statsmodels.
FLOUR = np.array(
    [2.2, 2.2, 2.4, 2.4, 2.5, 2.7, 2.8, 2.9, 3.03, 3.03, 3.1, 3.37, 3.4, 3.4, 3.4, 3.5, 3.6, 3.7, 3.7, 3.7, 3.7,
     3.77, 5.28, 28.95]
)  # fmt: skip
LIMIT = 1 / (np.sqrt(2) * special.ndtri(5 / 8))

# Croux and Rousseeuw 1992, COMPSTAT 1:411-428: d_n such that d_n x 2.2219 x raw Qn has the mean sigma.
PUBLISHED = {3: 0.994, 4: 0.512, 5: 0.844, 6: 0.611, 7: 0.857, 8: 0.669, 9: 0.872}


def test_flour_has_the_published_qn() -> None:
    assert raw_qn(FLOUR[None])[0] * LIMIT == pytest.approx(0.73231, abs=1e-4)
    assert raw_qn(FLOUR[None])[0] * LIMIT == pytest.approx(float(qn_scale(FLOUR)), rel=1e-12)


@pytest.mark.parametrize(("n", "published"), PUBLISHED.items())
def test_factors_agree_with_croux_and_rousseeuw(n: int, published: float) -> None:
    factor, df, _ = load_scale_table().constants(n)
    # (c Qn)^2 ~ sigma^2 chi2_df / df, so E(c Qn) = sigma sqrt(2/df) Gamma((df+1)/2) / Gamma(df/2)
    mean = np.sqrt(2 / df) * np.exp(special.gammaln((df + 1) / 2) - special.gammaln(df / 2))
    # 2.5 %: a matched chi-square is not the law of Qn itself, least of all at n = 3 and 4
    assert factor / mean == pytest.approx(LIMIT * published, rel=0.025)


@pytest.mark.parametrize("vans", [4, 5, 6, 9, 16, 33])
def test_leaving_one_out_is_a_fresh_estimate_without_it(vans: int) -> None:
    values = np.random.default_rng(vans).standard_t(3, (20, vans))
    values[::3] = np.round(values[::3], 1)  # ties, as a coarse sensor gives
    qn, median = leave_one_out_qn(values), leave_one_out_median(values)
    for row, column in np.ndindex(values.shape):
        others = np.delete(values[row], column)
        assert qn[row, column] * LIMIT == pytest.approx(float(qn_scale(others)), abs=1e-12)
        assert median[row, column] == pytest.approx(np.median(others), abs=1e-12)


def test_table_is_what_its_script_makes() -> None:
    # a tenth of the groups: df is known to about 3 %
    factor, df, kappa = match_chi_square(8, 20_000)
    shipped = load_scale_table().constants(8)
    assert (factor, df, kappa) == pytest.approx(shipped, rel=0.05)
    # 2 x 10^5 groups gave 1.4051, 4.477, 0.1678 in an independent run of the same design
    assert shipped == pytest.approx((1.4051, 4.477, 0.1678), rel=0.01)


@pytest.mark.parametrize("n", [70, 95, 150])
def test_between_and_beyond_tabulated_sizes(n: int) -> None:
    factor, df, kappa = load_scale_table().constants(n)
    drawn = match_chi_square(n, 4_000)
    assert factor == pytest.approx(drawn[0], rel=0.01)
    assert df == pytest.approx(drawn[1], rel=0.08)
    assert kappa == pytest.approx(drawn[2], rel=0.10)


def test_limits_for_large_groups() -> None:
    factor, df, kappa = load_scale_table().constants(100_000)
    # Rousseeuw and Croux 1993: efficiency 82.27 %; the median's variance tends to pi / 2n
    assert factor == pytest.approx(LIMIT, rel=1e-3)
    assert df / 100_000 == pytest.approx(0.8227, rel=1e-2)
    assert kappa * 100_000 == pytest.approx(np.pi / 2, rel=1e-2)


def test_too_few_values_have_no_scale() -> None:
    with pytest.raises(ValueError, match="2 values"):
        load_scale_table().constants(2)
    assert [qn_rank(n) for n in (2, 3, 4, 5)] == [1, 1, 3, 3]


def test_trimming_table_is_what_its_script_makes() -> None:
    shift, ratio = measure_trimming(6, 20_000)
    mean, variance = trimmed_log_moments(np.array([6]))
    plain = special.digamma(2.5) - np.log(2.5), special.polygamma(1, 2.5)
    assert mean[0] - plain[0] == pytest.approx(shift, abs=0.03)
    assert variance[0] / plain[1] == pytest.approx(ratio, rel=0.06)
