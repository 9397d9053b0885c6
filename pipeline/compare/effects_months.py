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
    """Effects by number = block * n_months + month, and the design they were fitted on.

    `rows` are the observations used: those of judged months, and all those of families without any.
    """

    n_months: int
    effect: FloatArray
    n_vans: IntArray
    source: IntArray


@dataclass(frozen=True)
class FamilyDesign:
    """The observations and months on which families' own effects are fitted.

    `target` (n,) is the value less the effect of all families where the family has none of its own.
    `stand_in`, `stand_in_vans` (measures * n_months,) are the effects of all families, nan where there is
    none or it does not predict.
    """

    rows: Observations
    months: MonthDesign
    target: FloatArray
    n_months: int
    has_own: BoolArray
    stand_in: FloatArray
    stand_in_vans: IntArray


def design_families(rows: Observations, links: ReaderLinks, rules: EffectRules) -> FamilyDesign:
    """Decide which family-months are judged on their own and what stands in for the others."""
    n_months = int(rows.month.max(initial=0)) + 1
    choice = choose_months(rows, rows.block, n_months, rules.min_vans, rules.link_vans)
    judged = choice.is_judged[rows.block * n_months + rows.month]
    n_blocks = len(rows.block_start)
    share = np.bincount(rows.block, weights=judged, minlength=n_blocks) / np.bincount(rows.block)
    has_own = share >= rules.least_share
    own_only = MonthChoice(n_months, choice.is_judged & np.repeat(has_own, n_months), choice.n_vans)
    judged &= has_own[rows.block]
    needy = np.bincount(rows.measure[~judged], minlength=int(rows.measure.max(initial=-1)) + 1) > 0
    stand_in, vans = _effects_of_all_families(
        rows.take(needy[rows.measure]), len(needy), n_months, links, rules
    )
    used = rows.take(judged | ~has_own[rows.block])
    borrowed = np.where(
        has_own[used.block], 0.0, np.nan_to_num(stand_in[used.measure * n_months + used.month])
    )
    months = design_months(used, used.block, own_only)
    return FamilyDesign(used, months, used.value - borrowed, n_months, has_own, stand_in, vans)


def _effects_of_all_families(
    rows: Observations, n_measures: int, n_months: int, links: ReaderLinks, rules: EffectRules
) -> tuple[FloatArray, IntArray]:
    """Return effects (measures * n_months,), nan where not judged or not predictive, and their vans."""
    effect = np.full(n_measures * n_months, np.nan)
    vans = np.zeros(n_measures * n_months, np.int64)
    if not len(rows):
        return effect, vans
    choice = choose_months(rows, rows.measure, n_months, rules.min_vans, rules.link_vans)
    rows = rows.take(choice.is_judged[rows.measure * n_months + rows.month])
    if not len(rows):
        return effect, vans
    months = design_months(rows, rows.measure, choice)
    fit = fit_additive(build_model(rows, months, links.slot_of(rows)), rows.value, "bisquare")
    slope = _slope_left_out(rows, months.column, months.spread(fit.month) + fit.pseudo, n_months)
    valid = np.zeros(n_measures, np.bool_)
    valid[: len(slope)] = slope > rules.least_slope
    shown = valid[months.group]
    at = (months.group * n_months + months.month)[shown]
    effect[at], vans[at] = fit.month[shown], months.n_vans[shown]
    return effect, vans


def _slope_left_out(rows: Observations, column: IntArray, moved: FloatArray, n_months: int) -> FloatArray:
    """Return, per measure, how much vans move per unit of the month effect of the other families.

    `moved` (n,) is each observation less its van's level. Above 0.5, the others' effect predicts a
    family's months better than assuming none does; 1 is perfect; nan becomes 0.
    """
    code = rows.block * n_months + rows.month
    own_sum = np.bincount(code, weights=moved)[code]
    own_n = np.bincount(code)[code]
    others_n = np.bincount(column)[column] - own_n
    others = (np.bincount(column, weights=moved)[column] - own_sum) / np.maximum(others_n, 1)
    kept = others_n > 0
    measures = int(rows.measure.max(initial=-1)) + 1
    if not kept.any():
        return np.zeros(measures)
    part = rows.take(kept)
    x = part.demean(others[kept])
    top = np.bincount(part.measure, weights=x * moved[kept], minlength=measures)
    bottom = np.bincount(part.measure, weights=x * x, minlength=measures)
    return np.where(bottom > 0, top / np.where(bottom > 0, bottom, 1.0), 0.0)


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
    fitted : (columns,) float
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
    measure = np.repeat(rows.measure[rows.block_start], n_months)
    month = np.tile(np.arange(n_months), n_blocks)
    lent = design.stand_in[measure * n_months + month]
    lent_vans = design.stand_in_vans[measure * n_months + month]
    effect = np.zeros(len(own))
    effect[at] = fitted
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
    before, after = (np.roll(np.arange(n_months), shift) for shift in (1, -1))
    judged, found, behind = (
        own.reshape(-1, n_months),
        effect.reshape(-1, n_months),
        vans.reshape(-1, n_months),
    )
    between: BoolArray = adjoining & judged[:, before] & judged[:, after]
    mean = (found[:, before] + found[:, after]) / 2
    fewest = np.minimum(behind[:, before], behind[:, after])
    return between.ravel(), mean.ravel(), fewest.ravel()


def _mean_by_block(x: FloatArray, weight: FloatArray, n_months: int) -> FloatArray:
    """Return the weighted mean over each block's months, repeated for each month; 0 without weight."""
    w = weight.reshape(-1, n_months)
    total = w.sum(axis=1)
    mean = (x.reshape(-1, n_months) * w).sum(axis=1) / np.where(total > 0, total, 1.0)
    return np.repeat(mean, n_months)
