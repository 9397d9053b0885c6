"""Computed tables of what season, readers and their updates add to scans, taken out before vans are compared."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.build import reader_updates
from pipeline.build.codes import as_frame, encode
from pipeline.columns import column, known
from pipeline.compare.effects import EffectRules, Effects, fit_effects
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

PARENTS = (
    "scan_levels", "int_fleet", "stg_settings", "vocab.parameters", "vocab.states", *reader_updates.PARENTS,
)  # fmt: skip
MONTHS, READERS, FACTORS = "computed.month_effects", "computed.reader_effects", "computed.variance_factors"
_QUERY = """
select l.van, l.family_id, l.reader, l.reader_version, l.scanned_at, l.scan_month, l.parameter, l.state, l.value
from scan_levels as l
inner join vocab.parameters as p on l.parameter = p.parameter
inner join vocab.states as s on l.state = s.state
cross join int_fleet as f
cross join stg_settings as w
where date_diff('day', cast(l.scanned_at as date), cast(f.data_to as date)) <= greatest(w.level_days, w.earlier_days)
    and p.role = 'health' and s.is_comparable and l.value is not null and l.reader is not null
order by l.parameter, l.state, l.van, l.scanned_at, l.scan_key
"""


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


def linked_readers(effects: Effects) -> NDArray[np.bool_]:
    """Mark, per row of `effects.readers`, readers that can be compared with the reader of most vans."""
    return np.asarray((effects.readers.component == "linked") & ~_tied_by_too_few(effects), np.bool_)


def _readers(effects: Effects, measures: pl.DataFrame, readers: pl.DataFrame) -> pa.Table:
    found = effects.readers
    picked = measures[found.measure.tolist()]
    is_unknown = _tied_by_too_few(effects)
    own = np.char.add("apart-", found.reader.astype(np.str_))
    component = np.where(is_unknown, own, found.component)

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
            "component": column(component.tolist(), pa.string()),
            "n_vans": column(found.n_vans, pa.int64()),
            "p": known(found.p),
            "q": known(found.q),
        }
    )


def _fit(
    frame: pl.DataFrame, codes: tuple[NDArray[np.int64], ...], settings: Settings
) -> tuple[Effects, pl.DataFrame]:
    """Return the effects of season and readers, and the steps at readers' updates that were taken off before them.

    A step inside a reader's scans would pass for a constant bias of that reader, or of all others: so updates are
    judged on scans that have lost season and biases as they first appear, and what is shown is taken off before these
    are fitted for good.
    """
    value = frame["value"].to_numpy()
    effects = fit_effects(value, *codes)
    updates = reader_updates.judge(frame.with_columns(value=pl.Series(effects.adjusted)), settings)
    shift = reader_updates.shifts_of(frame, updates)
    return (fit_effects(value - shift, *codes) if shift.any() else effects), updates


def write_effects(engine: Engine, settings: Settings) -> None:
    """Fit what readers' updates, months and readers add to the scan levels and write the four computed tables.

    `computed.month_effects`: one row per parameter x state x family x month. `computed.reader_effects`:
    one row per parameter x state x reader. `computed.variance_factors`: one row per parameter x state.
    `computed.reader_updates`: one row per reader x software x parameter x state.
    """
    frame = as_frame(engine.arrow(_QUERY)).with_columns(
        # A van that is not in the register shares its seasons with nobody.
        pl.coalesce("family_id", pl.concat_str(pl.lit("unregistered "), "van")).alias("family_id")
    )
    measure, measures = encode(frame, ["parameter", "state"])
    van, _ = encode(frame, ["van"])
    reader, readers = encode(frame, ["reader"])
    family, families = encode(frame, ["family_id"])
    month = (
        frame["scan_month"].dt.year().cast(pl.Int64) * 12 + frame["scan_month"].dt.month().cast(pl.Int64) - 1
    ).to_numpy()
    effects, updates = _fit(frame, (van, month, reader, measure, family), settings)
    engine.write(MONTHS, _months(effects, measures, families))
    engine.write(READERS, _readers(effects, measures, readers))
    kept = measures[effects.measures.tolist()]
    factors = pa.table(
        {
            "parameter": kept["parameter"].to_arrow(),
            "state": kept["state"].to_arrow(),
            "factor": column(effects.variance_factor, pa.float64()),
        }
    )
    engine.write(FACTORS, factors)
    reader_updates.write_updates(engine, updates)
