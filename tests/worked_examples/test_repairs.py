"""Difference in differences against published figures and a second implementation."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from pipeline.compare import repairs

Example = Callable[[str], dict[str, Any]]


def test_the_minimum_wage_study(example: Example) -> None:
    """Card and Krueger 1994, American Economic Review 84:772-793, table 3: full-time jobs per restaurant.

    The means as printed give 2.75; the paper prints 2.76 from unrounded cells.
    """
    case = example("did_card_krueger")
    treated, control = case["inputs"]["treated"], case["inputs"]["control"]
    expected = case["expected"]
    value = np.array([*treated, *control])
    series, at, both = np.array([0, 0, 1, 1]), np.array([0, 9, 0, 9]), np.array([0, 1])
    start, work, end = (np.full(2, day) for day in (0, 5, 10))
    _, before = repairs.window_means(series, at, value, both, start, work)
    _, after = repairs.window_means(series, at, value, both, work, end)
    changes = after - before
    assert changes == pytest.approx([expected["treated_change"], expected["control_change"]])
    states = repairs.Members(
        np.zeros(3, np.int64), np.zeros(3, np.int64), np.full(3, changes[1]), np.full(3, 2.0)
    )
    found = repairs.set_against(
        changes[:1], np.array([2.0]), states, np.array([0.1]), np.array([0.1]), np.zeros(1, np.bool_)
    )
    assert found.difference[0] == pytest.approx(expected["difference_in_differences"], abs=1e-9)


def test_the_interaction_of_a_regression() -> None:
    """Ordinary least squares of statsmodels with van, after and their product: the coefficient of the product.

    On the changes themselves the t of one case against n controls (Crawford and Howell 1998, Clinical
    Neuropsychologist 12:482-486) is the t of a dummy for that case.
    """
    rng = np.random.default_rng(20260930)
    n = 9
    before, after = rng.normal(50, 3, n), rng.normal(52, 3, n)
    own_before, own_after = 61.0, 51.5
    value = np.r_[before, after, own_before, own_after]
    is_after = np.r_[np.zeros(n), np.ones(n), 0.0, 1.0]
    is_van = np.r_[np.zeros(2 * n), 1.0, 1.0]
    design = sm.add_constant(np.column_stack([is_van, is_after, is_van * is_after]))
    fitted = sm.OLS(value, design).fit()

    changes = after - before
    members = repairs.Members(np.zeros(n, np.int64), np.zeros(n, np.int64), changes, np.full(n, 2.0))
    none = np.zeros(1)
    found = repairs.set_against(
        np.array([own_after - own_before]), np.array([2.0]), members, none, none, np.zeros(1, np.bool_),
        suspect_p=1e-12,
    )  # fmt: skip
    case = sm.OLS(np.r_[changes, own_after - own_before], sm.add_constant(np.r_[np.zeros(n), 1.0])).fit()
    assert found.difference[0] == pytest.approx(case.params[1])
    assert found.difference[0] == pytest.approx(fitted.params[3])
    assert found.t[0] == pytest.approx(case.tvalues[1])
    assert found.df[0] == pytest.approx(n - 1)
    assert found.p[0] == pytest.approx(case.pvalues[1])
    assert (found.low[0], found.high[0]) == pytest.approx(tuple(case.conf_int()[1]))


def test_regression_to_the_mean_as_worked_by_hand() -> None:
    """Blood pressure 20 above the mean, variance between persons 100 and within 44: it falls by 20 x 44 / 144.

    The formula is Davis 1976, American Journal of Epidemiology 104:493-498; figures of our own.
    """
    fall = repairs.expected_return(np.array([20.0]), np.array([100.0]), np.array([44.0]), np.array([1.0]))
    assert fall[0] == pytest.approx(-20 * 44 / 144)
    halved = repairs.expected_return(np.array([20.0]), np.array([100.0]), np.array([44.0]), np.array([4.0]))
    assert halved[0] == pytest.approx(-20 * 11 / 111)
