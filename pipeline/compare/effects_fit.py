"""Robust additive fit of van + month + reader (second part of `effects`).

The robust estimate is found by modified residuals: the residuals are bounded by psi, and their
least-squares fit is added to the parameters, so that the normal equations are solved once and for all
(Huber 1981, Robust Statistics, section 7.8). Two steps use Huber's convex psi, which leads to the one
minimum, the later ones Tukey's bisquare, which forgets a van that stepped.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal

import numpy as np

from pipeline.compare.effects_design import FloatArray, IntArray, MonthDesign, Observations
from pipeline.compare.segments import segment_medians, starts_of

HUBER_K = 1.345  # 95 % efficiency at the normal distribution; Huber 1981
BISQUARE_C = 3.8827  # 90 % efficiency at the normal distribution (psi of Beaton and Tukey 1974)
MAD_TO_SIGMA = 1.4826  # 1 / normal quantile of 0.75
STEPS = {"least squares": 0, "huber": 6, "bisquare": 12}  # the last step only bounds the residuals
CONVEX_STEPS = 3  # the bisquare starts from so many steps of Huber's psi
SCALE_STEPS = (0, 2, 4, 6)  # the scale is taken anew before these
LEAST_SLOPE = 0.3  # guards the step length where most residuals are outliers
LEAST_DF = 10  # below this a block's own scale is not trusted
VALUES_AT_ONCE = 40_000  # fitted together: their arrays stay near the processor
ROUNDING = 1e-12  # of the largest value of a measure: far more than sums lose
CONFOUNDED = 0.05  # share of a reader's contrast that must survive sweeping out months

PsiName = Literal["least squares", "huber", "bisquare"]


@dataclass(frozen=True)
class AdditiveModel:
    """The solved design of van + month + reader for one set of observations.

    `contrast` (k, n) holds each pattern's reader dummies with vans and months swept out, zero for
    readers that cannot be told from the months; `gram_inverse` (patterns, k, k) their normal equations;
    `reader_months` (k, columns) the month coefficients swept out of the dummies; `month_columns` (blocks,)
    the month columns each block pays for.
    """

    rows: Observations
    months: MonthDesign
    contrast: FloatArray
    gram_inverse: FloatArray
    reader_months: FloatArray
    month_columns: FloatArray


@dataclass(frozen=True)
class AdditiveFit:
    """Coefficients and what is left, per layer: `month` (columns,), `reader` (patterns, k), `residual` (n,).

    `pseudo` (n,) are the bounded residuals scaled to unit slope. Times `inflation` (blocks,) they stand
    for ordinary errors in standard errors (Huber 1981, section 7.6). A difference up to `rounding`
    (patterns,) is none: it comes from rounding alone.
    """

    month: FloatArray
    reader: FloatArray
    residual: FloatArray
    pseudo: FloatArray
    inflation: FloatArray
    rounding: FloatArray


def build_model(rows: Observations, months: MonthDesign, slot: IntArray) -> AdditiveModel:
    """Sweep vans and months out of the reader dummies.

    `slot` (n,) numbers the readers whose effect is wanted within each pattern, -1 for all others.
    """
    slots = int(slot.max(initial=-1)) + 1
    dummy = rows.demean((slot == np.arange(slots)[:, None]).astype(float))
    reader_months = months.solve(dummy)
    swept = dummy - rows.demean(months.spread(reader_months))
    before, after = rows.sum_patterns(dummy**2), rows.sum_patterns(swept**2)
    kept = after > CONFOUNDED * np.maximum(before, 1e-9)
    contrast = np.where(kept[:, rows.pattern], swept, 0.0)
    gram = np.zeros((rows.n_patterns, slots, slots))
    for k in range(slots):
        gram[:, k] = rows.sum_patterns(contrast[k] * contrast).T
    inverse = np.linalg.pinv(gram, rcond=1e-6, hermitian=True).astype(np.float64) if slots else gram
    return AdditiveModel(rows, months, contrast, inverse, reader_months, _columns_of_block(rows, months))


def _take_off(model: AdditiveModel, residual: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit `y` (layers, n) by least squares and take what is fitted off `residual` (layers, n), in place.

    Returns the month coefficients, from which readers are not yet taken out, and the reader coefficients.
    """
    rows = model.rows
    van = rows.mean_cells(y)
    demeaned = y - van.repeat(rows.cell_size, axis=-1)
    month = model.months.solve(demeaned)
    season = model.months.spread(month)
    van -= rows.mean_cells(season)
    residual -= season
    residual -= van.repeat(rows.cell_size, axis=-1)
    patterns, slots = model.gram_inverse.shape[:2]
    right = np.zeros((len(y), patterns, slots))
    for k, contrast in enumerate(model.contrast):
        right[:, :, k] = rows.sum_patterns(contrast * demeaned)
    reader = np.einsum("pij,lpj->lpi", model.gram_inverse, right)
    for k, contrast in enumerate(model.contrast):
        residual -= contrast * reader[:, :, k].take(rows.pattern, axis=-1)
    return month, reader


def residual_scale(
    rows: Observations, residual: FloatArray, columns: FloatArray, rounding: FloatArray
) -> FloatArray:
    """Return the robust standard deviation of the residuals (layers, n) of each block (layers, blocks).

    1.4826 x median |residual|, raised by sqrt(n / df) for the parameters spent. Where more than half
    of the residuals are zero (a coarse sensor), the median of the others; below 10 degrees of
    freedom the block takes the median of its pattern. Residuals up to
    `rounding` (layers, patterns) count as zero.
    """
    df = rows.block_size - rows.cells_of_block - np.maximum(columns - 1, 0)
    trusted, pattern = df >= LEAST_DF, rows.pattern[rows.block_start]
    tiny = rounding.take(pattern, axis=-1)
    size = np.abs(residual)
    raw = _block_medians(rows, size)
    is_coarse = raw <= tiny
    if is_coarse.any():
        moved = size > np.where(is_coarse, tiny, np.inf).repeat(rows.block_size, axis=-1)
        block = (np.arange(len(size))[:, None] * len(rows.block_size) + rows.block)[moved]
        start = starts_of(block)
        raw.flat[block[start]] = segment_medians(size[moved], start)
    scale = MAD_TO_SIGMA * raw * np.sqrt(rows.block_size / np.maximum(df, 1))
    for p in np.unique(pattern[~trusted]):
        peers = (pattern == p) & (trusted if trusted[pattern == p].any() else df > 0)
        typical = np.median(scale[:, peers], axis=1) if peers.any() else np.zeros(len(scale))
        scale[:, (pattern == p) & ~trusted] = typical[:, None]
    found: FloatArray = np.maximum(scale, tiny)
    return found


def _block_medians(rows: Observations, y: FloatArray) -> FloatArray:
    """Return the median of `y` (layers, n) in each block (layers, blocks)."""
    start = np.arange(len(y))[:, None] * len(rows) + rows.block_start
    return segment_medians(y.ravel(), start.ravel()).reshape(start.shape)


def _rounding(rows: Observations, y: FloatArray) -> FloatArray:
    """Return how far values (layers, n) may differ by rounding alone (layers, patterns)."""
    start = starts_of(rows.pattern)
    largest = np.ones((len(y), rows.n_patterns))
    largest[:, rows.pattern[start]] = np.maximum.reduceat(np.abs(y), start, axis=-1)
    return ROUNDING * np.maximum(largest, 1.0)


def _bound(
    rows: Observations, residual: FloatArray, scale: FloatArray, bisquare: bool
) -> tuple[FloatArray, FloatArray]:
    """Return psi(residual) and its slope (layers, n) at a scale per block, for Tukey's bisquare or Huber's psi.

    Worked out in place, for speed.
    """
    if not bisquare:
        limit = (HUBER_K * scale).repeat(rows.block_size, axis=-1)
        psi = np.minimum(residual, limit)
        np.maximum(psi, np.negative(limit, out=limit), out=psi)
        return psi, (psi == residual).astype(float)
    left = residual * (1 / (BISQUARE_C * scale)).repeat(rows.block_size, axis=-1)
    left *= left
    np.subtract(1.0, left, out=left)
    np.maximum(left, 0.0, out=left)
    psi = residual * left
    psi *= left
    slope = 5 * left
    slope -= 4
    slope *= left
    return psi, slope


def _error_inflation(rows: Observations, columns: FloatArray, slope: FloatArray) -> FloatArray:
    """Return the factor per block (layers, blocks) by which residuals fall short of errors, in standard errors.

    Months: sqrt(df before / after). Robustness: 1 + (p / n) var(psi') / mean(psi')^2
    (Huber 1981, section 7.6). The part due to the vans is dealt with where vans are the unit.
    """
    size, cells = rows.block_size, rows.cells_of_block
    months = np.maximum(columns - 1, 0)
    factor = np.sqrt(np.maximum(size - cells, 1) / np.maximum(size - cells - months, 1))
    mean = np.maximum(rows.mean_blocks(slope), LEAST_SLOPE)
    variance = np.maximum(rows.mean_blocks(slope**2) - mean**2, 0.0)
    robust = 1 + (cells + months) / size * variance / mean**2
    found: FloatArray = factor * robust
    return found


def _columns_of_block(rows: Observations, months: MonthDesign) -> FloatArray:
    """Return the month columns each block pays for; a column shared by blocks is shared out."""
    seen = months.column >= 0
    used = months.column[seen]
    share = 1.0 / np.bincount(used, minlength=len(months.group))[used]
    return np.bincount(rows.block[seen], weights=share, minlength=len(rows.block_start)).astype(np.float64)


def fit_additive(model: AdditiveModel, y: FloatArray, psi_name: PsiName) -> AdditiveFit:
    """Fit van + month + reader to `y` (layers, n), by least squares or with a bounded psi.

    Huber's psi has one minimum and honest standard errors in small samples; the bisquare forgets a
    van that stepped altogether, but understates errors by about a tenth.
    """
    step = max(1, VALUES_AT_ONCE // max(len(model.rows), 1))
    parts = [_fit_layers(model, y[first : first + step], psi_name) for first in range(0, len(y), step)]
    return AdditiveFit(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(AdditiveFit)))


def _fit_layers(model: AdditiveModel, y: FloatArray, psi_name: PsiName) -> AdditiveFit:
    """Fit so many layers that their arrays stay near the processor."""
    rows, columns = model.rows, model.month_columns
    residual = y.copy()
    month, reader = _take_off(model, residual, y)
    rounding = _rounding(rows, y)
    pseudo, slope = residual, np.ones(y.shape)
    steps = STEPS[psi_name]
    for step in range(steps):
        if step in SCALE_STEPS:
            scale = residual_scale(rows, residual, columns, rounding)
        bisquare = psi_name == "bisquare" and step >= CONVEX_STEPS
        pseudo, slope = _bound(rows, residual, scale, bisquare)
        pseudo /= np.maximum(rows.mean_blocks(slope), LEAST_SLOPE).repeat(rows.block_size, axis=-1)
        if step == steps - 1:
            break
        more_month, more_reader = _take_off(model, residual, pseudo)
        month += more_month
        reader += more_reader
    of_column = _patterns_of_columns(model)
    for k, swept_out in enumerate(model.reader_months):
        month -= swept_out * reader[:, of_column, k]
    inflation = _error_inflation(rows, columns, slope)
    return AdditiveFit(month, reader, residual, pseudo, inflation, rounding)


def _patterns_of_columns(model: AdditiveModel) -> IntArray:
    """Return the pattern of each month column."""
    found = np.zeros(len(model.months.group), np.int64)
    seen = model.months.column >= 0
    found[model.months.column[seen]] = model.rows.pattern[seen]
    return found
