"""Robust additive fit of van + month + reader (second part of `effects`).

The robust estimate is found by modified residuals: the residuals are bounded by psi, and their
least-squares fit is added to the parameters, so that the normal equations are solved once and for all
(Huber 1981, Robust Statistics, section 7.8). Two steps use Huber's convex psi, which leads to the one
minimum, the later ones Tukey's bisquare, which forgets a van that stepped.
"""

from __future__ import annotations

from dataclasses import dataclass
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
CONFOUNDED = 0.05  # share of a reader's contrast that must survive sweeping out months

PsiName = Literal["least squares", "huber", "bisquare"]


@dataclass(frozen=True)
class AdditiveModel:
    """The solved design of van + month + reader for one set of observations.

    `contrast` (n, k) holds each measure's reader dummies with vans and months swept out, zero for
    readers that cannot be told from the months; `gram_inverse` (measures, k, k) their normal equations;
    `reader_months` (columns, k) the month coefficients swept out of the dummies.
    """

    rows: Observations
    months: MonthDesign
    slot: IntArray
    contrast: FloatArray
    gram_inverse: FloatArray
    reader_months: FloatArray


@dataclass(frozen=True)
class AdditiveFit:
    """Coefficients and what is left: `month` (columns,), `reader` (measures, k), `residual` (n,).

    `pseudo` (n,) are the bounded residuals scaled to unit slope. Times `inflation` (blocks,) they stand
    for ordinary errors in standard errors (Huber 1981, section 7.6).
    """

    month: FloatArray
    reader: FloatArray
    residual: FloatArray
    pseudo: FloatArray
    inflation: FloatArray


def build_model(rows: Observations, months: MonthDesign, slot: IntArray) -> AdditiveModel:
    """Sweep vans and months out of the reader dummies.

    `slot` (n,) numbers the readers whose effect is wanted within each measure, -1 for all others.
    """
    slots = int(slot.max(initial=-1)) + 1
    measures = int(rows.measure.max(initial=-1)) + 1
    contrast = np.zeros((len(rows), slots), order="F")  # read column by column
    reader_months = np.zeros((len(months.group), slots))
    kept = np.zeros((measures, slots), np.bool_)
    for k in range(slots):
        dummy = rows.demean((slot == k).astype(float))
        reader_months[:, k] = months.solve(dummy)
        swept = dummy - rows.demean(months.spread(reader_months[:, k]))
        before = rows.sum_measures(dummy**2, measures)
        after = rows.sum_measures(swept**2, measures)
        kept[:, k] = after > CONFOUNDED * np.maximum(before, 1e-9)
        contrast[:, k] = np.where(kept[rows.measure, k], swept, 0.0)
    gram = np.zeros((measures, slots, slots))
    for i in range(slots):
        for j in range(i, slots):
            product = contrast[:, i] * contrast[:, j]
            gram[:, i, j] = gram[:, j, i] = rows.sum_measures(product, measures)
    inverse = gram
    if slots:
        inverse = np.linalg.pinv(gram, rcond=1e-6, hermitian=True).astype(np.float64)
    return AdditiveModel(rows, months, slot, contrast, inverse, reader_months)


def _least_squares(model: AdditiveModel, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return month coefficients (readers not yet taken out), reader coefficients and residuals."""
    rows = model.rows
    demeaned = rows.demean(y)
    month = model.months.solve(demeaned)
    left = demeaned - rows.demean(model.months.spread(month))
    measures, slots = model.gram_inverse.shape[:2]
    right = np.zeros((measures, slots))
    for k in range(slots):
        right[:, k] = rows.sum_measures(model.contrast[:, k] * left, measures)
    reader = np.einsum("mij,mj->mi", model.gram_inverse, right)
    for k in range(slots):
        left = left - model.contrast[:, k] * reader[rows.measure, k]
    return month, reader, left


def residual_scale(rows: Observations, residual: FloatArray, columns: FloatArray) -> FloatArray:
    """Return the robust standard deviation of the residuals of each block (blocks,).

    1.4826 x median |residual|, raised by sqrt(n / df) for the parameters spent. Where more than half
    of the residuals are zero (a coarse sensor), the median of the others; below 10 degrees of
    freedom the block takes the median of its measure.
    """
    size = np.diff(rows.block_start, append=len(rows))
    cells = np.bincount(rows.block[rows.cell_start], minlength=len(size))
    df = size - cells - np.maximum(columns - 1, 0)
    tiny = 1e-12 * float(np.abs(rows.value).max(initial=1.0))
    size_of_residual = np.abs(residual)
    raw = segment_medians(size_of_residual, rows.block_start)
    moved = (size_of_residual > tiny) & (raw <= tiny)[rows.block]
    if moved.any():
        block = rows.block[moved]
        start = starts_of(block)
        raw[block[start]] = segment_medians(size_of_residual[moved], start)
    scale = MAD_TO_SIGMA * raw * np.sqrt(size / np.maximum(df, 1))
    measure = rows.measure[rows.block_start]
    trusted = df >= LEAST_DF
    for m in np.unique(measure[~trusted]):
        peers = (measure == m) & (trusted if trusted[measure == m].any() else df > 0)
        typical = float(np.median(scale[peers])) if peers.any() else 0.0
        scale[(measure == m) & ~trusted] = typical
    return np.maximum(scale, tiny)


def _bound(residual: FloatArray, scale: FloatArray, bisquare: bool) -> tuple[FloatArray, FloatArray]:
    """Return psi(residual) and its slope, for Tukey's bisquare or Huber's psi; worked out in place, for speed."""
    if not bisquare:
        limit = HUBER_K * scale
        psi = np.minimum(residual, limit)
        np.maximum(psi, np.negative(limit, out=limit), out=psi)
        return psi, (psi == residual).astype(float)
    square = residual / (BISQUARE_C * scale)
    square *= square
    np.minimum(square, 1.0, out=square)
    left = 1.0 - square
    psi = residual * left
    psi *= left
    square *= -5.0
    square += 1.0
    square *= left
    return psi, square


def _unit_slope(rows: Observations, psi: FloatArray, slope: FloatArray) -> FloatArray:
    """Divide psi by its mean slope in each block."""
    mean = np.maximum(_block_mean(rows, slope), LEAST_SLOPE)
    return psi / mean.repeat(rows.block_size)


def _block_mean(rows: Observations, x: FloatArray) -> FloatArray:
    """Return the mean of `x` in each block."""
    return np.add.reduceat(x, rows.block_start) / rows.block_size


def _error_inflation(rows: Observations, columns: FloatArray, slope: FloatArray | None) -> FloatArray:
    """Return the factor per block by which residuals fall short of errors, in standard errors.

    Months: sqrt(df before / after). Robustness: 1 + (p / n) var(psi') / mean(psi')^2
    (Huber 1981, section 7.6). The part due to the vans is dealt with where vans are the unit.
    """
    size = np.diff(rows.block_start, append=len(rows))
    cells = np.bincount(rows.block[rows.cell_start], minlength=len(size))
    months = np.maximum(columns - 1, 0)
    factor = np.sqrt(np.maximum(size - cells, 1) / np.maximum(size - cells - months, 1))
    if slope is None:
        return factor
    mean = np.maximum(_block_mean(rows, slope), LEAST_SLOPE)
    variance = np.maximum(_block_mean(rows, slope**2) - mean**2, 0.0)
    robust: FloatArray = 1 + (cells + months) / size * variance / mean**2
    return factor * robust


def _columns_of_block(rows: Observations, months: MonthDesign) -> FloatArray:
    """Return the month columns each block pays for; a column shared by blocks is shared out."""
    seen = months.column >= 0
    used = months.column[seen]
    share = 1.0 / np.bincount(used, minlength=len(months.group))[used]
    return np.bincount(rows.block[seen], weights=share, minlength=len(rows.block_start)).astype(np.float64)


def fit_additive(model: AdditiveModel, y: FloatArray, psi_name: PsiName) -> AdditiveFit:
    """Fit van + month + reader to `y` (n,), by least squares or with a bounded psi.

    Huber's psi has one minimum and honest standard errors in small samples; the bisquare forgets a
    van that stepped altogether, but understates errors by about a tenth.
    """
    rows = model.rows
    columns = _columns_of_block(rows, model.months)
    month, reader, residual = _least_squares(model, y)
    pseudo, inflation = residual, _error_inflation(rows, columns, None)
    steps = STEPS[psi_name]
    for step in range(steps):
        if step in SCALE_STEPS:
            scale = residual_scale(rows, residual, columns).repeat(rows.block_size)
        psi, slope = _bound(residual, scale, bisquare=psi_name == "bisquare" and step >= CONVEX_STEPS)
        pseudo = _unit_slope(rows, psi, slope)
        if step == steps - 1:
            inflation = _error_inflation(rows, columns, slope)
            break
        more_month, more_reader, left = _least_squares(model, pseudo)
        month, reader = month + more_month, reader + more_reader
        residual = residual - pseudo
        residual += left
    measure = _measure_of_column(model)
    for k in range(reader.shape[1]):
        month = month - model.reader_months[:, k] * reader[measure, k]
    return AdditiveFit(month, reader, residual, pseudo, inflation)


def _measure_of_column(model: AdditiveModel) -> IntArray:
    """Return the measure of each month column."""
    found = np.zeros(len(model.months.group), np.int64)
    seen = model.months.column >= 0
    found[model.months.column[seen]] = model.rows.measure[seen]
    return found
