"""Computed tables of what season, readers and their updates add to scans, taken out before vans are compared."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.build import levels, reader_updates
from pipeline.build.codes import encode
from pipeline.build.levels import Levels
from pipeline.columns import column, known
from pipeline.compare.effects import EffectRules, Effects, fit_visits
from pipeline.compare.effects_design import FloatArray
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

PARENTS = (*levels.PARENTS, *reader_updates.PARENTS)
MONTHS, READERS, FACTORS = "computed.month_effects", "computed.reader_effects", "computed.variance_factors"


def _months(effects: Effects, measures: pl.DataFrame, families: pl.DataFrame) -> pa.Table:
    found = effects.months
    index = found.month
    starts = [date(int(m) // 12, int(m) % 12 + 1, 1) for m in index]
    picked = measures[found.measure.tolist()]
    return pa.table(
        {
            "parameter": picked["parameter"].to_arrow(),
            "state": picked["state"].to_arrow(),
            "family_id": families["family_id"].gather(found.family.tolist()).to_arrow(),
            "month": column(starts, pa.date32()),
            "effect": column(found.effect, pa.float64()),
            "n_vans": column(found.n_vans, pa.int64()),
        }
    )


def _tied_by_too_few(effects: Effects) -> NDArray[np.bool_]:
    """Mark readers tied to the others by vans enough to belong with them, but too few to tell how far off they read.

    What only such a reader has seen cannot be compared.
    """
    found = effects.readers
    is_unknown = np.isnan(found.estimate) & (found.reader != found.reference)
    is_unknown &= found.n_vans < EffectRules().min_vans
    return np.asarray(is_unknown, np.bool_)


def reader_components(effects: Effects) -> NDArray[np.str_]:
    """Return, per row of `effects.readers`, the component it can be compared within; one of its own where it is not known how far off it reads."""
    own = np.char.add("apart-", effects.readers.reader.astype(np.str_))
    return np.where(_tied_by_too_few(effects), own, effects.readers.component)


def _readers(effects: Effects, measures: pl.DataFrame, readers: pl.DataFrame) -> pa.Table:
    found = effects.readers
    picked = measures[found.measure.tolist()]
    return pa.table(
        {
            "parameter": picked["parameter"].to_arrow(),
            "state": picked["state"].to_arrow(),
            "reader": readers["reader"].gather(found.reader.tolist()).to_arrow(),
            "reference": readers["reader"].gather(found.reference.tolist()).to_arrow(),
            "effect": column(found.effect, pa.float64()),
            "estimate": known(found.estimate),
            "low": known(found.low),
            "high": known(found.high),
            "component": column(reader_components(effects).tolist(), pa.string()),
            "n_vans": column(found.n_vans, pa.int64()),
            "p": known(found.p),
            "q": known(found.q),
        }
    )


class Fitted(NamedTuple):
    """Effects of season and readers, what their numbers mean, and what they add to each level.

    Parameters
    ----------
    families, readers : frame
        Row i is the family or reader of number i.
    season, bias : (levels,) float
        In the parameter's unit.
    """

    effects: Effects
    families: pl.DataFrame
    readers: pl.DataFrame
    season: FloatArray
    bias: FloatArray


def fit_months(found: Levels) -> Fitted:
    """Fit season and readers to levels, those of a van's scans by one reader in one month averaged."""
    rows = levels.sum_months(found)
    van, _ = encode(rows.visits, ["van"])
    reader, readers = encode(rows.visits, ["reader"])
    family, families = encode(rows.visits, ["family_id"])
    effects = fit_visits(
        rows.value,
        rows.measure,
        rows.visit,
        rows.n_scans,
        van=van,
        month=rows.visits["month"].to_numpy(),
        reader=reader,
        family=family,
    )
    season, bias = effects.month_effect[rows.row], effects.reader_effect[rows.row]
    return Fitted(effects, families, readers, season, bias)


def fit_levels(
    found: Levels, settings: Settings, smallest_useful: Mapping[str, float] | None = None
) -> tuple[Fitted, pl.DataFrame]:
    """Return the effects of season and readers, and the steps at readers' updates that were taken off before.

    A step inside a reader's scans would pass for a constant bias of that reader, or of all others, and the months
    would take a part of it: so updates are judged first, and what is shown is taken off. The arguments are those of
    `reader_updates.judge`.
    """
    updates = reader_updates.judge(found, settings, smallest_useful)
    return fit_months(replace(found, value=found.value - reader_updates.shifts_of(found, updates))), updates


def write_effects(engine: Engine, settings: Settings) -> None:
    """Fit what readers' updates, months and readers add to the scan levels and write the four computed tables.

    `computed.month_effects`: one row per parameter x state x family x month. `computed.reader_effects`:
    one row per parameter x state x reader. `computed.variance_factors`: one row per parameter x state.
    `computed.reader_updates`: one row per reader x software x parameter x state.
    """
    found = levels.read_levels(engine)
    fitted, updates = fit_levels(found, settings, reader_updates.read_smallest_useful(engine))
    effects = fitted.effects
    engine.write(MONTHS, _months(effects, found.measures, fitted.families))
    engine.write(READERS, _readers(effects, found.measures, fitted.readers))
    kept = found.measures[effects.measures.tolist()]
    factors = pa.table(
        {
            "parameter": kept["parameter"].to_arrow(),
            "state": kept["state"].to_arrow(),
            "factor": column(effects.variance_factor, pa.float64()),
        }
    )
    engine.write(FACTORS, factors)
    reader_updates.write_updates(engine, updates)
