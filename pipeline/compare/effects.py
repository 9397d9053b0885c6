"""Season and reader taken out of scan levels before vans are compared.

Model: value = van + month(family) + reader + error, for every measure (parameter x state) on its own.
Van effects are swept out exactly, so a van's constant fault touches neither the months nor the readers;
the rest is fitted robustly, so that a van which steps hardly touches them either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from pipeline.compare.distributions import t_quantile
from pipeline.compare.effects_batches import Batch, fit_months, judge_readers
from pipeline.compare.effects_design import FloatArray, IntArray, Means, Visits, average_scans, dense_codes
from pipeline.compare.effects_months import EffectRules, MonthSource, MonthTable
from pipeline.compare.multiplicity import benjamini_hochberg
from pipeline.compare.segments import starts_of

__all__ = [
    "LINKED",
    "EffectRules",
    "Effects",
    "MonthEffects",
    "MonthSource",
    "ReaderEffects",
    "fit_effects",
    "fit_visits",
]

LINKED = "linked"  # the component of a measure's reader with most vans
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


Rows = TypeVar("Rows", MonthEffects, ReaderEffects)


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
    values, codes = _check(value, van, month, reader, measure, family)
    (van_c, _), (month_c, months), (reader_c, readers), (measure_c, measures), (family_c, families) = codes
    scans = np.ones(len(values)) if n_scans is None else np.asarray(n_scans, dtype=np.float64)
    means, visits, mean = average_scans(values, van_c, month_c, reader_c, measure_c, family_c, scans)
    found = fit_visits(
        means.value,
        measures[means.measure],
        means.visit,
        np.bincount(mean, scans),
        van=visits.van,
        month=months[visits.month],
        reader=readers[visits.reader],
        family=families[visits.family],
        rules=rules,
    )
    month_effect, reader_effect = found.month_effect[mean], found.reader_effect[mean]
    adjusted = values - month_effect - reader_effect
    return replace(found, adjusted=adjusted, month_effect=month_effect, reader_effect=reader_effect)


def fit_visits(
    value: FloatArray,
    measure: IntArray,
    visit: IntArray,
    n_scans: ArrayLike,
    *,
    van: ArrayLike,
    month: ArrayLike,
    reader: ArrayLike,
    family: ArrayLike,
    rules: EffectRules | None = None,
) -> Effects:
    """Estimate effects as `fit_effects` does, from means of a van's scans by one reader in one month.

    Parameters
    ----------
    value, measure, visit, n_scans : (n,)
        Mean, its measure, the visit it was taken at and the scans behind it, in order of measure and visit.
    van, month, reader, family : (visits,) int
        Codes of the visits, which are in order of family, van, month and reader.

    Raises
    ------
    ValueError
        Where a value is not finite or the rows are not in order.
    """
    rules = rules or EffectRules()
    if not np.isfinite(value).all():
        raise ValueError("every value must be finite")
    (van_c, _), (month_c, months), (reader_c, readers), (family_c, families) = map(
        dense_codes, (van, month, reader, family)
    )
    measure_c, measures = dense_codes(measure)
    place = measure_c * len(van_c) + visit
    if not (place[1:] > place[:-1]).all():
        raise ValueError("means must be in order of measure and visit")
    if not len(value):
        return _nothing()
    visits = Visits(family_c, van_c, month_c, reader_c)
    batches = judge_readers(Means(value, measure_c, visit), visits, len(months), rules)
    season, bias, factor = np.empty(len(value)), np.empty(len(value)), np.empty(len(measures))
    month_rows, reader_rows = [], []
    scans = np.bincount(measure_c, n_scans).astype(np.float64)
    for batch, q in zip(batches, _adjust([batch.tests.p for batch in batches]), strict=True):
        is_taken = np.nan_to_num(q, nan=1.0) <= rules.reader_q
        taken = np.where(is_taken, np.nan_to_num(batch.tests.estimate), 0.0)
        table = fit_months(batch, taken, months)
        season[batch.means] = table.spread(batch.rows)
        bias[batch.means] = batch.links.spread(taken, batch.rows)
        factor[batch.measures] = _variance_factor(batch, scans[batch.measures], taken)
        month_rows.append(_month_effects(batch, table, measures, families, months))
        reader_rows.append(_reader_effects(batch, taken, q, measures, readers, rules))
    return Effects(
        value - season - bias,
        season,
        bias,
        _join(month_rows, ("measure", "family", "month")),
        _join(reader_rows, ("measure", "reader")),
        measures,
        factor,
    )


def _adjust(p: Sequence[FloatArray]) -> list[FloatArray]:
    """Benjamini-Hochberg over all p-values of several arrays."""
    q = benjamini_hochberg(np.concatenate([part.ravel() for part in p]))
    ends = np.cumsum([part.size for part in p])
    return [found.reshape(part.shape) for found, part in zip(np.split(q, ends[:-1]), p, strict=True)]


def _join(parts: Sequence[Rows], key: Sequence[str]) -> Rows:
    """Put rows one behind the other, in order of some columns."""
    columns = {f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(parts[0])}
    order = np.lexsort([columns[name] for name in reversed(key)])
    return type(parts[0])(**{name: column[order] for name, column in columns.items()})


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
    batch: Batch, table: MonthTable, measures: IntArray, families: IntArray, months: IntArray
) -> MonthEffects:
    """Return one row per measure x family x month met."""
    rows = batch.rows
    met = np.flatnonzero(np.bincount(rows.block * table.n_months + rows.month))
    head = rows.block_start[met // table.n_months]
    layers = len(batch.measures)
    return MonthEffects(
        measures[batch.measures[:, rows.pattern[head]]].ravel(),
        np.tile(families[rows.family[head]], layers),
        np.tile(months[met % table.n_months], layers),
        table.effect[:, met].ravel(),
        table.n_vans[:, met].ravel(),
        table.source[:, met].ravel(),
    )


def _reader_effects(
    batch: Batch,
    taken: FloatArray,
    q: FloatArray,
    measures: IntArray,
    readers: IntArray,
    rules: EffectRules,
) -> ReaderEffects:
    """Return one row per measure x reader met."""
    links, tests, layers = batch.links, batch.tests, len(batch.measures)
    reach = t_quantile(0.5 + rules.confidence / 2, tests.df) * tests.standard_error
    apart = np.char.add("apart-", readers[links.reference].astype(np.str_))
    return ReaderEffects(
        measures[batch.measures[:, links.pattern]].ravel(),
        np.tile(readers[links.reader], layers),
        taken.ravel(),
        tests.estimate.ravel(),
        (tests.estimate - reach).ravel(),
        (tests.estimate + reach).ravel(),
        tests.df.ravel(),
        tests.p.ravel(),
        q.ravel(),
        np.tile(links.n_shared, layers),
        np.tile(np.where(links.is_main, LINKED, apart), layers),
        np.tile(readers[links.reference], layers),
    )


def _variance_factor(batch: Batch, n_scans: FloatArray, taken: FloatArray) -> FloatArray:
    """Return df before / df after fitting months and readers, per measure with `n_scans` (layers, patterns).

    A robust effect follows its values less closely than a mean: with efficiency E the residuals lose
    2 - 1 / E of a degree of freedom for each effect, not 1.
    """
    before = n_scans - np.bincount(batch.rows.pattern[batch.rows.cell_start])
    readers = np.add.reduceat(taken != 0, starts_of(batch.links.pattern), axis=1, dtype=np.int64)
    spent = batch.design.months_spent() + readers
    return np.where(before > 0, before / np.maximum(before - LOST_DF * spent, 1), 1.0)


def _nothing() -> Effects:
    """Return the effects of no rows."""
    x, i = np.empty(0), np.empty(0, np.int64)
    no_months = MonthEffects(i, i, i, x, i, i)
    no_readers = ReaderEffects(i, i, x, x, x, x, x, x, x, i, np.empty(0, np.str_), i)
    return Effects(x, x, x, no_months, no_readers, i, x)
