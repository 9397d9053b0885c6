"""What the scans of one software in one month have in common (part of `effects`).

A yard that keeps one reader for a fortnight reads its vans in that fortnight's weather: the vans are then not
independent, and what tells readers apart is less sure than the vans by themselves say.
"""

from __future__ import annotations

import numpy as np

from pipeline.compare.effects_design import FloatArray, IntArray, Observations
from pipeline.compare.effects_fit import AdditiveModel
from pipeline.compare.segments import starts_of


def fit_shared(model: AdditiveModel, n_months: int, error: FloatArray, plain: FloatArray) -> FloatArray:
    """Return the variance (layers, patterns) of what all that one software reads in one month has in common.

    Parameters
    ----------
    model : AdditiveModel
        Of vans, months and software, every software a slot of its own.
    n_months : int
        Number of month codes.
    error : (layers, n) float
        Residuals that stand for ordinary errors.
    plain : (layers, patterns) float
        Their variance.

    Notes
    -----
    Moments: in every direction in which software can differ, the squares of what the scans of each month add up to,
    less the squares of what those of each van do, are the products of pairs of vans, 0 on average where they have
    nothing in common. As software is fitted, the parts of all months add up to 0, which takes from their squares what
    is added here. Where the sum is negative, the variance is 0.
    """
    rows = model.rows
    size, axes = np.linalg.eigh(model.gram_inverse)
    root = axes * np.sqrt(np.maximum(size, 0))[:, None, :]
    white = np.einsum("kn,nks->sn", model.contrast, root[rows.pattern])
    month = rows.pattern * n_months + rows.month
    van_month = rows.cell * n_months + rows.month
    found, pairs = np.zeros((len(error), rows.n_patterns)), np.zeros(rows.n_patterns)
    for direction in white:
        score = direction * error
        found += _sum_squares(rows, month, score) - _sum_squares(rows, van_month, score)
        found += plain * _sum_squares(rows, month, direction * white).sum(axis=0)
        pairs += pairs_within(rows, n_months, direction)
    return np.maximum(found, 0.0) / np.where(pairs > 0, pairs, np.inf)


def plain_variance(rows: Observations, error: FloatArray) -> FloatArray:
    """Return the variance (layers, patterns) of residuals (layers, n) that stand for ordinary errors, vans swept out."""
    free = np.bincount(rows.pattern) - np.bincount(rows.pattern[rows.cell_start])
    found: FloatArray = rows.sum_patterns(error**2) / np.maximum(free, 1)
    return found


def months_used(rows: Observations, n_months: int, weight: FloatArray) -> IntArray:
    """Return in how many months any visit has a weight (n,) (patterns,)."""
    month = np.unique((rows.pattern * n_months + rows.month)[weight != 0])
    return np.bincount(month // n_months, minlength=rows.n_patterns)


def pairs_within(rows: Observations, n_months: int, weight: FloatArray) -> FloatArray:
    """Return the sum of products of weights (n,) of two vans' visits in one month with one software (patterns,)."""
    software = int(rows.reader.max(initial=0)) + 1
    together = (rows.pattern * n_months + rows.month) * software + rows.reader
    alone = (rows.cell * n_months + rows.month) * software + rows.reader
    of_all, of_one = (_sum_squares(rows, code, weight[None])[0] for code in (together, alone))
    pairs: FloatArray = of_all - of_one
    return pairs


def _sum_squares(rows: Observations, code: IntArray, y: FloatArray) -> FloatArray:
    """Return the sum over each pattern (layers, patterns) of the squares of what `y` (layers, n) adds up to by code (n,).

    Codes rise with the patterns.
    """
    order = np.argsort(code, kind="stable")
    start = starts_of(code[order])
    pattern = rows.pattern[order[start]]
    first = starts_of(pattern)
    found = np.zeros((len(y), rows.n_patterns))
    squares = np.add.reduceat(y[:, order], start, axis=-1) ** 2
    found[:, pattern[first]] = np.add.reduceat(squares, first, axis=-1)
    return found
