"""Season and reader taken out of scan levels before vans are compared.

Model: value = van + month(family) + reader + error, for every measure (parameter x state) on its own.
Van effects are swept out exactly, so a van's constant fault touches neither the months nor the readers;
the rest is fitted robustly, so that a van which steps hardly touches them either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.compare.distributions import t_quantile
from pipeline.compare.effects_design import (
    FloatArray,
    IntArray,
    Observations,
    dense_codes,
    gather_observations,
)
from pipeline.compare.effects_fit import build_model, fit_additive
from pipeline.compare.effects_months import (
    EffectRules,
    FamilyDesign,
    MonthSource,
    MonthTable,
    design_families,
    tabulate_months,
)
from pipeline.compare.effects_readers import ReaderLinks, ReaderTests, compare_readers, link_readers
from pipeline.compare.multiplicity import benjamini_hochberg

__all__ = ["EffectRules", "Effects", "MonthEffects", "MonthSource", "ReaderEffects", "fit_effects"]

LOST_DF = 2 - 1 / 0.90  # efficiency 90 % of the bisquare that fits the months


@dataclass(frozen=True)
class MonthEffects:
    """One row per measure x family x month met in the data; effects in the unit of the measure.

    `n_vans` are the vans behind the effect (0 where `source` is NONE and the effect 0).
    """

    measure: IntArray
    family: IntArray
    month: IntArray
    effect: FloatArray
    n_vans: IntArray
    source: IntArray


@dataclass(frozen=True)
class ReaderEffects:
    """One row per measure x reader met in the data; effects in the unit of the measure.

    `effect` is what is subtracted: `estimate` where q <= reader_q, else 0. `estimate`, its interval, `df`,
    `p` and `q` are nan for the reference and where fewer than `min_vans` vans are shared (`n_vans`) or the
    reader cannot be told from the months. `component` is 'linked' for the measure's reader with most vans
    and those tied to it, 'apart-<reader>' for others, named after their own reference.
    """

    measure: IntArray
    reader: IntArray
    effect: FloatArray
    estimate: FloatArray
    low: FloatArray
    high: FloatArray
    df: FloatArray
    p: FloatArray
    q: FloatArray
    n_vans: IntArray
    component: np.ndarray[tuple[int], np.dtype[np.str_]]
    reference: IntArray


@dataclass(frozen=True)
class Effects:
    """What was found, and the values with it taken out.

    `adjusted`, `month_effect`, `reader_effect` (rows,) belong to the rows given; `adjusted` = value -
    month_effect - reader_effect. `measures` and `variance_factor` (measures,): the factor by which the
    within-van variance of adjusted values must be raised, because months and readers were fitted to
    the same values.
    """

    adjusted: FloatArray
    month_effect: FloatArray
    reader_effect: FloatArray
    months: MonthEffects
    readers: ReaderEffects
    measures: IntArray
    variance_factor: FloatArray


def fit_effects(
    value: ArrayLike,
    van: ArrayLike,
    month: ArrayLike,
    reader: ArrayLike,
    measure: ArrayLike,
    family: ArrayLike,
    *,
    n_scans: ArrayLike | None = None,
    rules: EffectRules | None = None,
) -> Effects:
    """Estimate month and reader effects and take them out.

    Parameters
    ----------
    value : (n,) float
        Scan levels, one row per scan x measure or means of several, finite, in the unit of the measure.
    van, reader, measure, family : (n,) int
        Codes of any value. A family shares its seasons (same make, model and engine).
    month : (n,) int
        Calendar month, counted so that equal numbers mean the same month of the same year.
    n_scans : (n,) int, optional
        Scans behind each value where it is a mean over scans of one van, month and reader; else 1.
    rules : EffectRules, optional

    Returns
    -------
    Effects

    Raises
    ------
    ValueError
        Where the arrays differ in length or a value is not finite.

    Notes
    -----
    1. Scans become one mean per van x month x reader, so that a van counts once a month.
    2. Months: a family-month is judged where at least `min_vans` vans were seen in it that were also
       seen in another month, and only months tied together by `link_vans` shared vans are compared
       (a winter fleet and a summer fleet with no van in common say nothing about the season). The
       effects are centred on the family's observations. Elsewhere the effect of all families together
       stands in, if it predicts families left out of it; else the mean of the month before and the
       month after, if the family has both; else there is none.
    3. Readers: see `effects_readers`; the estimate is subtracted only where it is significant after
       Benjamini-Hochberg over readers x measures, and months are then fitted once more.

    Assumed: season acts alike on all vans of a family, a reader adds the same amount on every van, most
    vans are healthy. Silent (effect 0) where there are too few vans, where months are not tied together,
    and for a reader that replaced another on one date: that cannot be told from the season, and the
    month effect carries both, which keeps the vans comparable.

    Fitting as in `effects_fit` (Huber 1981); the rules of steps 2 and 3 were chosen by simulation.
    """
    rules = rules or EffectRules()
    values, codes = _check(value, van, month, reader, measure, family)
    (van_c, _), (month_c, months), (reader_c, readers), (measure_c, measures), (family_c, families) = codes
    scans = np.ones(len(values)) if n_scans is None else np.asarray(n_scans, dtype=np.float64)
    rows, observation = gather_observations(values, van_c, month_c, reader_c, measure_c, family_c, scans)
    if not len(rows):
        return _nothing()
    links = link_readers(rows, rules.min_vans, rules.link_vans)
    design = design_families(rows, links, rules)
    model = build_model(design.rows, design.months, links.slot_of(design.rows))
    tests = compare_readers(model, fit_additive(model, design.target, rules.reader_psi), links)
    q = benjamini_hochberg(tests.p)
    taken = np.where(np.nan_to_num(q, nan=1.0) <= rules.reader_q, np.nan_to_num(tests.estimate), 0.0)
    bias = links.spread(taken, rows)
    months_only = build_model(design.rows, design.months, np.full(len(design.rows), -1))
    refit = fit_additive(months_only, design.target - links.spread(taken, design.rows), "bisquare")
    table = tabulate_months(rows, design, refit.month, months)
    season = table.effect[rows.block * table.n_months + rows.month]
    month_effect, reader_effect = season[observation], bias[observation]
    return Effects(
        values - month_effect - reader_effect,
        month_effect,
        reader_effect,
        _month_effects(rows, table, measures, families, months),
        _reader_effects(links, tests, taken, q, measures, readers, rules),
        measures,
        _variance_factor(rows, np.bincount(measure_c, scans).astype(np.float64), design, links, taken),
    )


def _check(value: ArrayLike, *codes: ArrayLike) -> tuple[FloatArray, tuple[tuple[IntArray, IntArray], ...]]:
    """Return the values as floats and each code renumbered from 0, with its original."""
    values = np.asarray(value, dtype=np.float64)
    if not np.isfinite(values).all():
        raise ValueError("every value must be finite")
    given = [np.asarray(code) for code in codes]
    if any(code.shape != values.shape for code in given) or values.ndim != 1:
        raise ValueError("value and codes must be arrays of one length")
    return values, tuple(dense_codes(code) for code in given)


def _month_effects(
    rows: Observations, table: MonthTable, measures: IntArray, families: IntArray, months: IntArray
) -> MonthEffects:
    """Return one row per measure x family x month met."""
    met = np.flatnonzero(np.bincount(rows.block * table.n_months + rows.month))
    head = rows.block_start[met // table.n_months]
    return MonthEffects(
        measures[rows.measure[head]],
        families[rows.family[head]],
        months[met % table.n_months],
        table.effect[met],
        table.n_vans[met],
        table.source[met],
    )


def _reader_effects(
    links: ReaderLinks,
    tests: ReaderTests,
    taken: FloatArray,
    q: FloatArray,
    measures: IntArray,
    readers: IntArray,
    rules: EffectRules,
) -> ReaderEffects:
    """Return one row per measure x reader met."""
    reach = t_quantile(0.5 + rules.confidence / 2, tests.df) * tests.standard_error
    apart = np.char.add("apart-", readers[links.reference].astype(np.str_))
    return ReaderEffects(
        measures[links.measure],
        readers[links.reader],
        taken,
        tests.estimate,
        tests.estimate - reach,
        tests.estimate + reach,
        tests.df,
        tests.p,
        q,
        links.n_shared,
        np.where(links.is_main, "linked", apart),
        readers[links.reference],
    )


def _variance_factor(
    rows: Observations, n_scans: FloatArray, design: FamilyDesign, links: ReaderLinks, taken: FloatArray
) -> FloatArray:
    """Return df before / df after fitting months and readers, per measure with `n_scans` (measures,).

    A robust effect follows its values less closely than a mean: with efficiency E the residuals lose
    2 - 1 / E of a degree of freedom for each effect, not 1.
    """
    n = len(n_scans)
    before = n_scans - np.bincount(rows.measure[rows.cell_start], minlength=n)
    group = design.months.group
    owner = design.rows.measure[design.rows.block_start[group]]
    fitted = np.unique(group)
    spent = (
        np.bincount(owner, minlength=n)
        - np.bincount(design.rows.measure[design.rows.block_start[fitted]], minlength=n)
        + np.bincount(links.measure[taken != 0], minlength=n)
    )
    return np.where(before > 0, before / np.maximum(before - LOST_DF * spent, 1), 1.0)


def _nothing() -> Effects:
    """Return the effects of no rows."""
    x, i = np.empty(0), np.empty(0, np.int64)
    no_months = MonthEffects(i, i, i, x, i, i)
    no_readers = ReaderEffects(i, i, x, x, x, x, x, x, x, i, np.empty(0, np.str_), i)
    return Effects(x, x, x, no_months, no_readers, i, x)
