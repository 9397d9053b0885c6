"""How far a reading moved at readers' software updates, all updates judged together (part of `effects`).

Model: value = van + month(family) + software + error, for every measure (parameter x state) on its own, a reader with
new software counting as another reader. All software is fitted at once, so that no update takes a part of another's
step, nor the months a part of any.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from pipeline.compare.distributions import t_quantile, t_tail
from pipeline.compare.effects_batches import place_means, share_visits
from pipeline.compare.effects_design import (
    BoolArray,
    FloatArray,
    IntArray,
    Means,
    MonthChoice,
    MonthDesign,
    Observations,
    Visits,
    choose_months,
    dense_codes,
    design_months,
)
from pipeline.compare.effects_fit import AdditiveModel, build_model, fit_additive
from pipeline.compare.effects_readers import spread_by_van
from pipeline.compare.effects_turns import fit_shared, pairs_within, plain_variance
from pipeline.compare.moderation import fit_prior, log_chi_square_moments, moderate

LEAST_POOLED = 4  # readings and states of an update that must be known before they lend each other variance
TOLD = 1e-3  # a step must be the whole of what is estimated, up to this share


@dataclass(frozen=True)
class UpdateSteps:
    """Steps that can be told from vans and months, one row per measure x update, in order of both.

    Attributes
    ----------
    measure, update
        Code of the measure, and number of the update.
    step
        After less before, in the unit of the measure.
    variance, df
        Its variance with the van as the unit, and the degrees of freedom of that.
    plain_variance, plain_df
        The same as if all scans were independent.
    shared
        The variance that comes on top because what one reader reads in one month has something in common.
    """

    measure: IntArray
    update: IntArray
    step: FloatArray
    variance: FloatArray
    df: FloatArray
    plain_variance: FloatArray
    plain_df: FloatArray
    shared: FloatArray

    def take(self, rows: BoolArray) -> UpdateSteps:
        """Return the rows marked."""
        return UpdateSteps(*(getattr(self, f.name)[rows] for f in fields(self)))


def fit_updates(
    value: FloatArray,
    measure: IntArray,
    visit: IntArray,
    *,
    van: ArrayLike,
    month: ArrayLike,
    software: ArrayLike,
    family: ArrayLike,
    before: IntArray,
    after: IntArray,
) -> UpdateSteps:
    """Fit the steps of all updates to means of a van's scans with one software in one month, as they were read.

    Parameters
    ----------
    value, measure, visit : (n,)
        Mean, its measure and the visit it was taken at, in order of measure and visit.
    van, month, software, family : (visits,) int
        Codes of the visits, which are in order of family, van, month and software; of a reader with one software after
        the other, each is a software of its own.
    before, after : (updates,) int
        The software that each update replaced, and the new one.

    Notes
    -----
    Least squares with an effect of every van, of every month of every family, and of every software; the step is a
    difference of two of the last. A family's month counts wherever two of its vans were read, so that readers are held
    against each other only within a family and a month. Variance: `spread_by_van`.
    """
    (van_c, _), (month_c, months), (software_c, known), (family_c, _), (measure_c, measures) = (
        dense_codes(x) for x in (van, month, software, family, measure)
    )
    visits, means = Visits(family_c, van_c, month_c, software_c), Means(value, measure_c, visit)
    parts = [UpdateSteps(*(np.empty(0, t) for t in (np.int64, np.int64, *[np.float64] * 6)))]
    place = {code: number for number, code in enumerate(known.tolist())}
    for alike, at in share_visits(means) if len(value) else ():
        fitted = _fit_alike(means, visits, at, len(months))
        last = -1 if fitted is None else len(fitted.model.contrast) - 1
        for update, (old, new) in enumerate(zip(before.tolist(), after.tolist(), strict=True)):
            if fitted is not None and max(place.get(old, last + 1), place.get(new, last + 1)) <= last:
                parts.append(fitted.steps(alike, update, place[old], place[new]))
    found = [np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(UpdateSteps)]
    order = np.lexsort((found[1], found[0]))
    measure_found, *rest = (x[order] for x in found)
    return UpdateSteps(measures[measure_found], *rest)


@dataclass(frozen=True)
class _Fitted:
    """Measures fitted together: their software's effects, and what says how sure those are.

    `effect` (layers, patterns, software), `error` (layers, n), its variance `plain` (layers, patterns) and the degrees
    of freedom of that (patterns,); `shared` as `fit_shared` says; a variance up to `least` (layers, patterns) is rounding.
    """

    model: AdditiveModel
    n_months: int
    effect: FloatArray
    error: FloatArray
    plain: FloatArray
    df: FloatArray
    shared: FloatArray
    least: FloatArray

    def steps(self, measures: IntArray, update: int, old: int, new: int) -> UpdateSteps:
        """Return the steps of an update in all `measures` (layers, patterns) in which it can be told."""
        rows = self.model.rows
        swept, is_told = _contrast(self.model, old, new)
        spread = spread_by_van(rows, swept, self.error)
        layer, p = np.nonzero(is_told & (spread.variance > self.least))
        return UpdateSteps(
            measures[layer, p],
            np.full(len(p), update),
            (self.effect[:, :, new] - self.effect[:, :, old])[layer, p],
            spread.variance[layer, p],
            spread.df[p],
            spread.plain[p] * self.plain[layer, p],
            self.df[p],
            self.shared[layer, p] * pairs_within(rows, self.n_months, swept)[p],
        )


def _fit_alike(means: Means, visits: Visits, at: IntArray, n_months: int) -> _Fitted | None:
    """Fit measures read at the same visits, `at` (layers, n) as in `Batch`; None where no month tells readers apart."""
    rows, months, kept = _design(place_means(means, visits, at[0]), n_months)
    if not len(rows):
        return None
    model = build_model(rows, months, rows.reader)
    fit = fit_additive(model, means.value[at].compress(kept, axis=-1), "least squares")
    error = fit.residual * fit.inflation.take(rows.block, axis=-1)
    free = np.bincount(rows.pattern) - np.bincount(rows.pattern[rows.cell_start])
    plain = plain_variance(rows, error)
    spent = np.bincount(rows.pattern[rows.block_start][months.group], minlength=rows.n_patterns)
    df = np.maximum(free - spent - len(model.contrast), 1).astype(np.float64)
    shared = fit_shared(model, n_months, error, plain)
    return _Fitted(model, n_months, fit.reader, error, plain, df, shared, fit.rounding**2)


def _design(rows: Observations, n_months: int) -> tuple[Observations, MonthDesign, BoolArray]:
    """Keep the visits (n,) of family-months that tell readers apart, and lay out an effect for each."""
    choice = choose_months(rows, rows.block, n_months, 2, 1)
    kept = choice.is_judged[rows.block * n_months + rows.month]
    block = np.unique(rows.block[kept])
    used = rows.take(kept)
    of_kept = (x.reshape(-1, n_months)[block].ravel() for x in (choice.is_judged, choice.n_vans))
    return used, design_months(used, used.block, MonthChoice(n_months, *of_kept)), kept


def _contrast(model: AdditiveModel, old: int, new: int) -> tuple[FloatArray, BoolArray]:
    """Return the weight of every visit in a step (n,), and the patterns in which it can be told from all else."""
    rows = model.rows
    direction = model.gram_inverse[:, :, new] - model.gram_inverse[:, :, old]
    swept = np.einsum("kn,nk->n", model.contrast, direction[rows.pattern])
    asked = np.zeros(len(model.contrast))
    asked[[old, new]] = -1.0, 1.0
    told = rows.sum_patterns(model.contrast * swept).T
    return swept, np.abs(told - asked).max(axis=1) < TOLD


@dataclass(frozen=True)
class JudgedSteps:
    """Of every step given: its 95 % interval, and p of its being no larger than the margin."""

    low: FloatArray
    high: FloatArray
    p: FloatArray


def judge_steps(steps: UpdateSteps, margin: FloatArray) -> JudgedSteps:
    """Judge steps, those of one update lending each other what says how sure they are.

    Parameters
    ----------
    steps : UpdateSteps
    margin : (rows,) float
        Size up to which a step does not matter, 0 for any.

    Notes
    -----
    A reader used on six vans tells its variance on five degrees of freedom. But vans, scans and so the ratio of that
    variance to the one of independent scans are much alike in all readings of an update: it is moderated by them
    (Smyth 2004). p is the most it can be for a true step of the margin (McCarthy and Smyth 2009, Bioinformatics
    25:765-771); with no margin it is that of the t test.
    """
    (own_mean, own_variance), (plain_mean, plain_variance) = (
        log_chi_square_moments(df) for df in (steps.df, steps.plain_df)
    )
    prior = fit_prior(
        steps.variance / steps.plain_variance,
        steps.update,
        int(steps.update.max(initial=-1)) + 1,
        own_mean - plain_mean,
        own_variance + plain_variance,
        LEAST_POOLED,
    )
    worth = 1 / (1 / prior.d0 + 1 / steps.plain_df) if prior.d0 > 0 else np.zeros(len(steps.df))
    worth = np.where(prior.is_pooled[steps.update], worth, 0.0)
    expected = np.where(worth > 0, prior.s02[steps.update] * steps.plain_variance, 0.0)
    error = np.sqrt(moderate(steps.variance, steps.df, expected, worth) + steps.shared)
    df = steps.df + worth
    reach = -t_quantile(0.025, df) * error
    size = np.abs(steps.step)
    p = t_tail((size - margin) / error, df) + t_tail((size + margin) / error, df)
    return JudgedSteps(steps.step - reach, steps.step + reach, np.minimum(p, 1.0))
