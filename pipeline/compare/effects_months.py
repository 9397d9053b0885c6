"""Month effects of each family, or of all families together where one is too small (part of `effects`)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from pipeline.compare.effects_design import (
    BoolArray,
    FloatArray,
    IntArray,
    MonthChoice,
    MonthDesign,
    Observations,
    choose_months,
    design_months,
)
from pipeline.compare.effects_fit import PsiName, build_model, fit_additive
from pipeline.compare.effects_readers import ReaderLinks


@dataclass(frozen=True)
class EffectRules:
    """When an effect is believed.

    Attributes
    ----------
    min_vans : int
        Least number of vans behind a month effect or a reader effect.
    link_vans : int
        Least number of shared vans that ties two months, or two readers, together.
    reader_q : float
        False discovery rate over readers x measures up to which a reader effect is subtracted.
    least_share : float
        A family has month effects of its own only where its judged months hold at least this share of
        its observations.
    least_slope : float
        The effect of all families together is used only where, per unit of it, a family left out of it
        moved by more than this; above 0.5 it predicts better than no effect does.
    reader_psi : str
        How residuals are bounded where readers are judged; 'least squares' for plain estimates.
    confidence : float
        Of the intervals of the reader effects.
    """

    min_vans: int = 4
    link_vans: int = 3
    reader_q: float = 0.05
    least_share: float = 0.5
    least_slope: float = 0.5
    reader_psi: PsiName = "huber"
    confidence: float = 0.95


class MonthSource(IntEnum):
    """Where a month effect comes from."""

    NONE = 0
    FAMILY = 1
    ALL_FAMILIES = 2
    NEIGHBOURS = 3


@dataclass(frozen=True)
class MonthTable:
    """Effects by number = block * n_months + month, for every layer (layers, numbers)."""

    n_months: int
    effect: FloatArray
    n_vans: IntArray
    source: IntArray

    def spread(self, rows: Observations) -> FloatArray:
        """Return the effect in each observation's month (layers, n)."""
        return self.effect.take(rows.block * self.n_months + rows.month, axis=-1)


@dataclass(frozen=True)
class FamilyDesign:
    """The observations and months on which families' own effects are fitted.

    `rows` are the observations used: those of judged months, and all those of families without any.
    `target` (layers, n) is the value less the effect of all families where the family has none of its own.
    `stand_in`, `stand_in_vans` (layers, patterns * n_months) are the effects of all families, nan where there is
    none or it does not predict.
    """

    rows: Observations
    months: MonthDesign
    target: FloatArray
    n_months: int
    has_own: BoolArray
    stand_in: FloatArray
    stand_in_vans: IntArray

    def months_spent(self) -> IntArray:
        """Return what families' own months cost in each pattern (patterns,): one less than the months of each."""
        pattern = self.rows.pattern[self.rows.block_start]
        n, group = self.rows.n_patterns, self.months.group
        return np.bincount(pattern[group], minlength=n) - np.bincount(pattern[np.unique(group)], minlength=n)


def design_families(
    rows: Observations, value: FloatArray, links: ReaderLinks, n_months: int, rules: EffectRules
) -> FamilyDesign:
    """Decide which family-months, of `n_months`, are judged on their own and what stands in for the others.

    `value` (layers, n) stands by `rows`.
    """
    choice = choose_months(rows, rows.block, n_months, rules.min_vans, rules.link_vans)
    judged = choice.is_judged[rows.block * n_months + rows.month]
    n_blocks = len(rows.block_start)
    share = np.bincount(rows.block, weights=judged, minlength=n_blocks) / rows.block_size
    has_own = share >= rules.least_share
    own_only = MonthChoice(n_months, choice.is_judged & np.repeat(has_own, n_months), choice.n_vans)
    judged &= has_own[rows.block]
    needy = (np.bincount(rows.pattern[~judged], minlength=rows.n_patterns) > 0)[rows.pattern]
    stand_in, vans = _effects_of_all_families(
        rows.take(needy), value.compress(needy, axis=-1), rows.n_patterns, n_months, links, rules
    )
    kept = judged | ~has_own[rows.block]
    used = rows.take(kept)
    lent = np.nan_to_num(stand_in.take(used.pattern * n_months + used.month, axis=-1))
    target = value.compress(kept, axis=-1) - np.where(has_own[used.block], 0.0, lent)
    months = design_months(used, used.block, own_only)
    return FamilyDesign(used, months, target, n_months, has_own, stand_in, vans)


def _effects_of_all_families(
    rows: Observations,
    value: FloatArray,
    n_patterns: int,
    n_months: int,
    links: ReaderLinks,
    rules: EffectRules,
) -> tuple[FloatArray, IntArray]:
    """Return effects (layers, patterns * n_months), nan where not judged or not predictive, and their vans."""
    effect = np.full((len(value), n_patterns * n_months), np.nan)
    vans = np.zeros(effect.shape, np.int64)
    if not len(rows):
        return effect, vans
    choice = choose_months(rows, rows.pattern, n_months, rules.min_vans, rules.link_vans)
    judged = choice.is_judged[rows.pattern * n_months + rows.month]
    if not judged.any():
        return effect, vans
    rows, value = rows.take(judged), value.compress(judged, axis=-1)
    months = design_months(rows, rows.pattern, choice)
    fit = fit_additive(build_model(rows, months, links.slot_of(rows)), value, "bisquare")
    slope = _slope_left_out(rows, months.column, months.spread(fit.month) + fit.pseudo, n_months)
    shown = (slope > rules.least_slope)[:, months.group]
    at = months.group * n_months + months.month
    effect[:, at] = np.where(shown, fit.month, np.nan)
    vans[:, at] = np.where(shown, months.n_vans, 0)
    return effect, vans


def _slope_left_out(rows: Observations, column: IntArray, moved: FloatArray, n_months: int) -> FloatArray:
    """Return, per layer and pattern, how much vans move per unit of the month effect of the other families.

    `moved` (layers, n) is each observation less its van's level. Above 0.5, the others' effect predicts a
    family's months better than assuming none does; 1 is perfect; nan becomes 0.
    """
    code = rows.block * n_months + rows.month
    own_n = np.bincount(code)[code]
    others_n = np.bincount(column)[column] - own_n
    others = (_sum_codes(moved, column) - _sum_codes(moved, code)) / np.maximum(others_n, 1)
    kept = others_n > 0
    part = rows.take(kept)
    x = part.demean(others.compress(kept, axis=-1))
    top, bottom = np.zeros((2, len(moved), rows.n_patterns))
    top[:, : part.n_patterns] = part.sum_patterns(x * moved.compress(kept, axis=-1))
    bottom[:, : part.n_patterns] = part.sum_patterns(x * x)
    return np.where(bottom > 0, top / np.where(bottom > 0, bottom, 1.0), 0.0)


def _sum_codes(y: FloatArray, code: IntArray) -> FloatArray:
    """Return, beside each value (layers, n), the sum of its layer's values that share its code (n,)."""
    layered = np.arange(len(y))[:, None] * (int(code.max()) + 1) + code
    sums: FloatArray = np.bincount(layered.ravel(), weights=y.ravel())[layered]
    return sums


def tabulate_months(
    rows: Observations, design: FamilyDesign, fitted: FloatArray, calendar: IntArray
) -> MonthTable:
    """Centre the families' effects, and align what stands in for missing months with them.

    A thin month for which all families have nothing to lend takes the mean of the month before and the
    month after where its family has both.

    Parameters
    ----------
    rows : Observations
        All of them.
    design : FamilyDesign
    fitted : (layers, columns) float
        Month coefficients of `design.months`.
    calendar : (n_months,) int
        The month each month code stands for; neighbours differ by 1.
    """
    n_months, n_blocks = design.n_months, len(rows.block_start)
    number = rows.block * n_months + rows.month
    weight = np.bincount(number, minlength=n_blocks * n_months).astype(float)
    own = np.zeros(n_blocks * n_months, np.bool_)
    at = design.months.group * n_months + design.months.month
    own[at] = True
    of_all = (rows.pattern[rows.block_start][:, None] * n_months + np.arange(n_months)).ravel()
    lent, lent_vans = design.stand_in.take(of_all, axis=-1), design.stand_in_vans.take(of_all, axis=-1)
    effect = np.zeros(lent.shape)
    effect[:, at] = fitted
    effect = np.where(own, effect - _mean_by_block(effect, weight * own, n_months), 0.0)
    known = ~np.isnan(lent)
    has_own = np.repeat(design.has_own, n_months)
    basis = weight * known * np.where(has_own, own, True)
    borrows = ~own & known & (weight > 0) & (_mean_by_block(basis, np.ones(len(own)), n_months) > 0)
    shift = _mean_by_block(np.nan_to_num(lent), basis, n_months)
    effect = np.where(borrows, np.nan_to_num(lent) - shift, effect)
    vans = np.zeros(len(own), np.int64)
    vans[at] = design.months.n_vans
    between, filled, fewest = _between_neighbours(effect, own, vans, calendar)
    fills = between & ~own & ~borrows & (weight > 0)
    effect = np.where(fills, filled, effect)
    vans = np.select([borrows, fills], [lent_vans, fewest], vans)
    source = np.select(
        [own, borrows, fills],
        [MonthSource.FAMILY, MonthSource.ALL_FAMILIES, MonthSource.NEIGHBOURS],
        MonthSource.NONE,
    )
    return MonthTable(n_months, effect, vans, source)


def _between_neighbours(
    effect: FloatArray, own: BoolArray, vans: IntArray, calendar: IntArray
) -> tuple[BoolArray, FloatArray, IntArray]:
    """Return where the calendar months on both sides are judged, their mean, and their fewest vans."""
    n_months = len(calendar)
    adjoining = np.zeros(n_months, np.bool_)
    adjoining[1:-1] = (calendar[2:] - calendar[:-2]) == 2
    months = np.arange(len(own)).reshape(-1, n_months)
    before, after = (np.roll(months, shift, axis=1).ravel() for shift in (1, -1))
    between: BoolArray = np.tile(adjoining, len(months)) & own[before] & own[after]
    mean = (effect[:, before] + effect[:, after]) / 2
    return between, mean, np.minimum(vans[before], vans[after])


def _mean_by_block(x: FloatArray, weight: FloatArray, n_months: int) -> FloatArray:
    """Return the weighted mean over each block's months (..., numbers), repeated for each month; 0 without weight."""
    w = weight.reshape(*weight.shape[:-1], -1, n_months)
    total = w.sum(axis=-1)
    mean = (x.reshape(*x.shape[:-1], -1, n_months) * w).sum(axis=-1) / np.where(total > 0, total, 1.0)
    return np.repeat(mean, n_months, axis=-1)
