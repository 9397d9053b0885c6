"""How unsteady readings are, and how far they go between states: per van, reader and season taken off, for the score."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.build.codes import as_frame, encode
from pipeline.build.effects import linked_readers
from pipeline.compare.effects import fit_effects
from pipeline.warehouse.engines import Engine

PARENTS = ("int_scan_movements", "int_numbered_scans", "int_numbered_vans", "int_cells", "vocab.parameters")
KEYS = ["channel", "parameter", "state"]
_QUERY = """
select m.channel, s.van, v.cohort_id, v.family_id, s.reader, s.scanned_at, c.parameter, c.state, m.value,
    p.unit, p.resolution, p.smallest_useful
from int_scan_movements as m
inner join int_numbered_scans as s on m.scan_no = s.scan_no
inner join int_numbered_vans as v on s.van_no = v.van_no
inner join int_cells as c on m.cell_no = c.cell_no
inner join vocab.parameters as p on c.parameter = p.parameter
order by m.channel, m.cell_no, s.van_no, m.scan_no
"""
LEAST_RATIO = 1.5  # smallest useful ratio of one van's spread to its siblings'; a proposal
LOG_STEP = 0.05  # steps of the logarithm of a spread: finer differences are not told apart; a proposal


def _adjust(frame: pl.DataFrame) -> pl.DataFrame:
    """Take season and reader off each scan's value; say which rows' readers can be compared."""
    coded = frame.with_columns(
        family=pl.coalesce("family_id", pl.concat_str(pl.lit("unregistered "), "van")),
        month=pl.col("scanned_at").dt.year().cast(pl.Int64) * 12
        + pl.col("scanned_at").dt.month().cast(pl.Int64),
    )
    measure, measures = encode(coded, KEYS)
    van, reader, family = (encode(coded, [name])[0] for name in ("van", "reader", "family"))
    effects = fit_effects(coded["value"].to_numpy(), van, coded["month"].to_numpy(), reader, measure, family)
    is_linked = np.zeros((len(measures), int(reader.max()) + 1), np.bool_)
    is_linked[effects.readers.measure, effects.readers.reader] = linked_readers(effects)
    factor = np.ones(len(measures))
    factor[effects.measures] = effects.variance_factor
    return coded.with_columns(
        adjusted=pl.Series(effects.adjusted),
        is_linked=pl.Series(is_linked[measure, reader]),
        variance_factor=pl.Series(factor[measure]),
    )


def read_movements(engine: Engine) -> pl.DataFrame:
    """Return one row per channel x van x measure, shaped as the rows of `van_levels` that the score reads.

    `window_name` is the channel. For spread, y and s2 are of the logarithm, and so are `resolution` and
    `smallest_useful`. y is null where only readers were used that share no van with the others.
    """
    frame = as_frame(engine.arrow(_QUERY))
    if frame.is_empty():
        return pl.DataFrame()
    counted = pl.col("adjusted").filter("is_linked")
    means = (
        _adjust(frame)
        .group_by(*KEYS, "van", maintain_order=True)
        .agg(
            pl.col(
                "cohort_id", "family_id", "unit", "resolution", "smallest_useful", "variance_factor"
            ).first(),
            counted.mean().alias("y"),
            counted.len().cast(pl.Int64).alias("m"),
            counted.var().alias("s2"),
            pl.col("scanned_at").min().alias("first_at"),
            pl.col("scanned_at").max().alias("last_at"),
        )
    )
    is_log = pl.col("window_name") == "spread"
    return means.rename({"channel": "window_name"}).with_columns(
        is_reader_linked=pl.col("m") > 0,
        reset_by=pl.lit(None, pl.String),
        resolution=pl.when(is_log).then(LOG_STEP).otherwise("resolution"),
        smallest_useful=pl.when(is_log).then(float(np.log(LEAST_RATIO))).otherwise("smallest_useful"),
    )
