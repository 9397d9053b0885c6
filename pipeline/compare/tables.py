"""Fourfold tables over strata: is something more frequent among the exposed, cohort by cohort."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.distributions import chi2_tail, log_hypergeometric
from pipeline.compare.intervals import normal_quantile

FloatArray = NDArray[np.float64]
_TIE = 1 + 1e-7  # tables as unlikely as the one seen count as such, rounding aside
_FEWEST_EXPECTED = 5.0


@dataclass(frozen=True)
class Association:
    """How much more frequent something is among the exposed, taken over all strata.

    Parameters
    ----------
    odds_ratio, low, high : float
        Common odds ratio and its interval; inf or 0 where a side has none; nan where nothing can be said.
    p : float
        Two-sided; nan where no stratum has both sides and both outcomes.
    least_p : float
        The smallest p that tables with these margins could have given; 0 where they are not sparse.
    method : str
        'mantel_haenszel', or 'exact' where the tables are sparse.
    n : int
        Vans in strata that tell something.
    n_strata : int
        Such strata.
    """

    odds_ratio: float
    low: float
    high: float
    p: float
    least_p: float
    method: str
    n: int
    n_strata: int


def mantel_haenszel(tables: ArrayLike, confidence: float = 0.95) -> tuple[float, float, float, float]:
    """Return the common odds ratio, its interval and the p-value of no association.

    OR = sum(a d / n) / sum(b c / n) over tables [[a, b], [c, d]]; the test compares sum(a) with its expectation
    given the margins, chi-squared with one degree of freedom, not corrected for continuity.

    Parameters
    ----------
    tables : (strata, 2, 2) number
        Rows exposed and not, columns with and without; the unit counted is the van.
    confidence : float
        Coverage aimed at.

    Returns
    -------
    odds_ratio, low, high, p : float
        nan where a sum is 0.

    Notes
    -----
    Source: Mantel and Haenszel 1959, Journal of the National Cancer Institute 22:719-748; interval of Robins,
    Breslow and Greenland 1986, Biometrics 42:311-323.
    """
    a, b, c, d, n = _cells(tables)
    r, s = a * d / n, b * c / n
    exposed, with_it = a + b, a + c
    variance = (exposed * (n - exposed) * with_it * (n - with_it) / (n**2 * np.maximum(n - 1, 1))).sum()
    if variance <= 0:
        return float("nan"), float("nan"), float("nan"), float("nan")
    p = float(chi2_tail((a.sum() - (exposed * with_it / n).sum()) ** 2 / variance, 1))
    if r.sum() == 0 or s.sum() == 0:
        return (0.0 if r.sum() == 0 else float("inf")), float("nan"), float("nan"), p
    u, v = (a + d) / n, (b + c) / n
    spread = (
        (u * r).sum() / (2 * r.sum() ** 2)
        + (u * s + v * r).sum() / (2 * r.sum() * s.sum())
        + (v * s).sum() / (2 * s.sum() ** 2)
    )
    ratio = float(r.sum() / s.sum())
    reach = float(np.exp(normal_quantile(confidence) * np.sqrt(spread)))
    return ratio, ratio / reach, ratio * reach, p


def exact_association(
    tables: ArrayLike, confidence: float = 0.95
) -> tuple[float, float, float, float, float]:
    """Return the conditional odds ratio, its exact interval, the exact p-value, and the least it could be.

    Given the margins, the number of exposed vans with it, summed over strata, follows a sum of hypergeometric
    variables, weighted by the odds ratio to its power. Two-sided p: all sums at most as likely as the one seen.
    One stratum is Fisher's exact test.

    Returns
    -------
    odds_ratio, low, high, p, least_p : float
        Estimate by maximum conditional likelihood; 0 or inf at the ends of what is possible.

    Notes
    -----
    Source: Fisher 1935, Journal of the Royal Statistical Society 98:39-82; Gart 1970, Biometrika 57:471-475;
    Agresti 2002, Categorical Data Analysis, section 6.3.
    """
    a, b, c, d, _ = _cells(tables)
    support, weight = _sums(a + b, c + d, a + c)
    seen = float(a.sum())
    if len(support) < 2:
        return float("nan"), 0.0, float("inf"), float("nan"), float("nan")
    chance = np.exp(weight)
    p = float(min(1.0, chance[chance <= chance[support == seen][0] * _TIE].sum()))
    least = float(min(chance[chance <= chance[0] * _TIE].sum(), chance[chance <= chance[-1] * _TIE].sum()))
    tail = (1 - confidence) / 2
    low = (
        0.0
        if seen == support[0]
        else _solve(support, weight, lambda q: q[:, support >= seen].sum(axis=1) - tail)
    )
    high = (
        float("inf")
        if seen == support[-1]
        else _solve(support, weight, lambda q: tail - q[:, support <= seen].sum(axis=1))
    )
    if seen == support[0]:
        ratio = 0.0
    elif seen == support[-1]:
        ratio = float("inf")
    else:
        ratio = _solve(support, weight, lambda q: q @ support - seen)
    return ratio, low, high, p, least


def associate(tables: ArrayLike, confidence: float = 0.95) -> Association:
    """Return the association of exposure and outcome over strata, exactly where the tables are sparse.

    Sparse is what fails the rule of Mantel and Fleiss: the expected sum of exposed vans with it must lie at least
    5 away from both the least and the most that the margins allow.

    Parameters
    ----------
    tables : (strata, 2, 2) number
        Rows exposed and not, columns with and without; the unit counted is the van. Strata without both sides
        and both outcomes tell nothing and are left out.
    confidence : float
        Coverage aimed at.

    Notes
    -----
    Source: Mantel and Fleiss 1980, American Journal of Epidemiology 112:129-134.
    """
    given = np.asarray(tables, dtype=np.float64).reshape(-1, 2, 2)
    telling = given[(given.sum(axis=1) > 0).all(axis=1) & (given.sum(axis=2) > 0).all(axis=1)]
    if not len(telling):
        nothing = float("nan")
        return Association(nothing, 0.0, float("inf"), nothing, nothing, "exact", 0, 0)
    n, strata = int(telling.sum()), len(telling)
    if is_sparse(telling):
        return Association(*exact_association(telling, confidence), "exact", n, strata)
    return Association(*mantel_haenszel(telling, confidence), 0.0, "mantel_haenszel", n, strata)


def is_sparse(tables: ArrayLike) -> bool:
    """Say whether the tables are too sparse for the chi-squared test (rule of Mantel and Fleiss)."""
    a, b, c, d, n = _cells(tables)
    expected = ((a + b) * (a + c) / n).sum()
    lowest = np.maximum(0, a + b - (b + d)).sum()
    highest = np.minimum(a + b, a + c).sum()
    return bool(min(expected - lowest, highest - expected) < _FEWEST_EXPECTED)


def _cells(tables: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """The four cells and the total of each stratum.

    Raises ValueError where a count is negative or a table is empty.
    """
    given = np.asarray(tables, dtype=np.float64).reshape(-1, 2, 2)
    total = given.sum(axis=(1, 2))
    if (given < 0).any() or not np.isfinite(given).all() or (total == 0).any():
        raise ValueError("a table holds counts, and at least one of them is not 0")
    return given[:, 0, 0], given[:, 0, 1], given[:, 1, 0], given[:, 1, 1], total


def _sums(exposed: FloatArray, others: FloatArray, with_it: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What the sum of exposed vans with it may be, and its log chance where exposure does nothing.

    In logarithms throughout: the ends of a long sum are rarer than a float can hold.
    """
    weight, lowest = np.zeros(1, dtype=np.float64), 0.0
    for m, k, w in zip(exposed, others, with_it, strict=True):
        first, last = max(0.0, w - k), min(m, w)
        own = log_hypergeometric(np.arange(first, last + 1), m + k, m, w)
        joined = np.full(len(weight) + len(own) - 1, -np.inf)
        for shift, chance in enumerate(own):
            part = slice(shift, shift + len(weight))
            joined[part] = np.logaddexp(joined[part], weight + chance)
        weight, lowest = joined, lowest + first
    return lowest + np.arange(len(weight), dtype=np.float64), weight


def _solve(support: FloatArray, weight: FloatArray, excess: Callable[[FloatArray], FloatArray]) -> float:
    """The odds ratio at which a rising function of the tilted chances, shape (points, support), is 0.

    The stretch that holds it is cut into 32 at a time, to the last digit of a double. (The root finders of
    scipy.optimize take a third of a second to import, which every build with codes would pay.)
    """

    def at(log_ratio: FloatArray) -> FloatArray:
        tilted = weight + support * log_ratio[:, None]
        chance = np.exp(tilted - tilted.max(axis=1, keepdims=True))
        return excess(chance / chance.sum(axis=1, keepdims=True))

    reach = 1.0
    while (at(np.array([-reach, reach])) * [-1, 1]).min() < 0:
        reach *= 2
    low, high = -reach, reach
    for _ in range(12):
        points = np.linspace(low, high, 33)
        place = int(np.clip(np.count_nonzero(at(points) < 0), 1, 32))
        low, high = points[place - 1], points[place]
    return float(np.exp((low + high) / 2))
