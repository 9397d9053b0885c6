"""Computed table `computed.reader_updates`: which readings step at a software update of a reader."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.build.codes import IntArray, as_frame, encode
from pipeline.build.levels import Levels
from pipeline.compare.multiplicity import adjust_by_matter
from pipeline.compare.steps import Moved, judge_updates
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

UPDATES = "computed.reader_updates"
PARENTS = ("vocab.parameters", "vocab.settings")
DAYS = 365  # on either side of an update; chosen by simulation (docs/reader_updates.md)
ALONE_P = 0.05
TOO_FEW = "fewer than 4 vans read before and after it, by this reader or by others to compare with"
_UNITS = "select parameter, unit from vocab.parameters"
_CELL = ["parameter", "state"]
_SOFTWARE = ["reader", "reader_version"]
_SUMS = ("n", "moved", "variance")
_COLUMNS = (
    "reader", "reader_version", "version_before", "since", "parameter", "state", "unit", "step", "low", "high", "p",
    "q", "is_shown", "shift", "n_vans", "n_vans_other", "reason",
)  # fmt: skip
_TYPES: dict[str, type[pl.DataType] | pl.DataType] = {
    **dict.fromkeys(("step", "low", "high", "p", "q", "shift"), pl.Float64),
    **dict.fromkeys(("n_vans", "n_vans_other"), pl.Int64),
    "since": pl.Datetime("us"),
    "is_shown": pl.Boolean,
}


class _Update(NamedTuple):
    """A row of `list_software` that has a software before it."""

    reader: str
    version: str
    since: datetime
    before: str


def list_software(scans: pl.DataFrame) -> pl.DataFrame:
    """Return one row per reader and software in order of its first scan, with the software before it (null: none)."""
    known = scans.filter(pl.col("reader_version").is_not_null())
    versions = known.group_by("reader", "reader_version").agg(since=pl.col("scanned_at").min())
    return versions.sort("reader", "since", "reader_version").with_columns(
        version_before=pl.col("reader_version").shift().over("reader")
    )


def _sum_moved(levels: Levels, van: IntArray, vans: int, side: IntArray) -> Moved:
    """How far vans moved from before to after, summed over the vans of each measure.

    `van` and `side` (scans,): a van's number, and 0 before, 1 after, -1 neither.
    """
    of_row = side[levels.scan]
    counts = of_row >= 0
    place = (levels.measure[counts].astype(np.int64) * vans + van[levels.scan[counts]]) * 2 + of_row[counts]
    shape = (len(levels.measures), vans, 2)
    n = np.bincount(place, minlength=math.prod(shape)).reshape(shape)
    total = np.bincount(place, levels.value[counts], math.prod(shape)).reshape(shape)
    is_both = (n > 0).all(axis=2)
    mean = total / np.maximum(n, 1)
    moved = np.where(is_both, mean[..., 1] - mean[..., 0], 0.0)
    n_vans = is_both.sum(axis=1)
    middle = np.where(n_vans > 0, moved.sum(axis=1) / np.maximum(n_vans, 1), np.nan)
    off = np.where(is_both, moved - middle[:, None], 0.0)
    variance = np.where(n_vans > 1, (off**2).sum(axis=1) / np.maximum(n_vans - 1, 1), np.nan)
    return Moved(n_vans, middle, variance)


def _sides(
    scans: pl.DataFrame, software: pl.DataFrame, update: _Update, days: int
) -> tuple[IntArray, IntArray]:
    """Mark the scans before (0) and after (1) an update, by its reader and by the others; -1 for all that do not count.

    A scan by another reader counts only with the software that reader had on the day: an update of its own within
    these months must not pass for one here.
    """
    on_the_day = (
        software.filter(pl.col("since") <= update.since)
        .group_by("reader")
        .agg(pl.col("reader_version").last())
    )
    is_near = pl.col("scanned_at").is_between(
        update.since - timedelta(days=days), update.since + timedelta(days=days), closed="left"
    )
    is_own, version = pl.col("reader") == update.reader, pl.col("reader_version")
    is_same = version.is_null() | (version == pl.col("version_on_the_day"))
    marked = scans.join(
        on_the_day.rename({"reader_version": "version_on_the_day"}), on="reader", how="left", maintain_order="left"
    ).select(
        own=pl.when(is_near & is_own & (version == update.version)).then(1)
        .when(is_near & is_own & (version == update.before)).then(0).otherwise(-1),
        other=pl.when(is_near & ~is_own & is_same).then((pl.col("scanned_at") >= update.since).cast(pl.Int32))
        .otherwise(-1),
    )  # fmt: skip
    return marked["own"].to_numpy(), marked["other"].to_numpy()


def sum_moves(levels: Levels, days: int = DAYS) -> pl.DataFrame:
    """Return how far vans moved over every update: those read by it, and those that others read at that time.

    Parameters
    ----------
    levels : Levels
        With season and constant biases taken off.
    days : int
        How far before and after an update scans count.

    Returns
    -------
    One row per update x parameter x state with vans of its own on both sides: n, moved, variance (over vans, of after
    less before) and the same of vans read by others (`_other`).
    """
    software = list_software(levels.scans)
    van, vans = encode(levels.scans, ["van"])
    found = []
    for row in software.filter(pl.col("version_before").is_not_null()).iter_rows():
        update = _Update(*row)
        sides = _sides(levels.scans, software, update, days)
        own, others = (_sum_moved(levels, van, len(vans), side) for side in sides)
        moves = {**_columns_of(own, ""), **_columns_of(others, "_other")}
        moved = levels.measures.with_columns(**{name: pl.Series(sums) for name, sums in moves.items()})
        found.append(
            moved.filter(pl.col("n") > 0).with_columns(
                pl.lit(update.reader).alias("reader"),
                pl.lit(update.version).alias("reader_version"),
                pl.lit(update.before).alias("version_before"),
                pl.lit(update.since).cast(pl.Datetime("us")).alias("since"),
            )
        )
    return pl.concat(found).sort(["reader", "since", *_CELL]) if found else pl.DataFrame()


def _columns_of(moved: Moved, suffix: str) -> dict[str, NDArray[Any]]:
    sums = (moved.n, moved.mean, moved.variance)
    return {f"{name}{suffix}": figures for name, figures in zip(_SUMS, sums, strict=True)}


def _moved_of(frame: pl.DataFrame, suffix: str) -> Moved:
    return Moved(*(frame[f"{name}{suffix}"].to_numpy() for name in _SUMS))


def _shown(frame: pl.DataFrame, p: np.ndarray, finding_q: float) -> tuple[np.ndarray, np.ndarray]:
    """Return q of every row, and where a step is shown; the states of a reading are one matter.

    Once an update is known to have moved a reading, another state of it counts where it would by itself.
    """
    told = ~np.isnan(p)
    _, matter = np.unique(encode(frame, [*_SOFTWARE, "parameter"])[0][told], return_inverse=True)
    q = np.full(len(frame), np.nan)
    q[told], q_matter = adjust_by_matter(p[told], matter)
    shown = np.zeros(len(frame), np.bool_)
    shown[told] = (q[told] <= finding_q) | ((q_matter[matter] <= finding_q) & (p[told] <= ALONE_P))
    return q, shown


def judge(levels: Levels, settings: Settings, days: int = DAYS) -> pl.DataFrame:
    """Judge every update on every reading; one row each, in the columns of `computed.reader_updates` less `unit`.

    `shift` is what is taken off the scans with that software before readers and vans are compared: the sum of the
    steps shown up to and with this update.
    """
    columns = [c for c in _COLUMNS if c != "unit"]
    frame = sum_moves(levels, days)
    if not len(frame):
        return pl.DataFrame(schema={c: _TYPES.get(c, pl.String) for c in columns})
    judged = judge_updates(_moved_of(frame, ""), _moved_of(frame, "_other"), encode(frame, _SOFTWARE)[0])
    q, shown = _shown(frame, judged.p, settings.tiers.finding_q)
    made = frame.with_columns(
        **{name: pl.Series(getattr(judged, name)).fill_nan(None) for name in ("step", "low", "high", "p")},
        q=pl.Series(q).fill_nan(None),
        is_shown=pl.Series(shown),
        reason=pl.when(pl.Series(np.isnan(judged.p))).then(pl.lit(TOO_FEW)),
        n_vans=pl.col("n"),
        n_vans_other=pl.col("n_other"),
    )
    total = pl.when("is_shown").then(pl.col("step")).otherwise(0.0).cum_sum().over("reader", *_CELL)
    return made.with_columns(shift=total).select(pl.col(c).cast(_TYPES.get(c, pl.String)) for c in columns)


def mark_moved(levels: Levels, updates: pl.DataFrame) -> NDArray[np.bool_]:
    """Mark the levels (rows,) of readings and states in which any update is shown."""
    moved = levels.measures.with_row_index("measure").join(updates.filter("is_shown"), on=_CELL, how="semi")
    is_moved = np.zeros(len(levels.measures), np.bool_)
    is_moved[moved["measure"].to_numpy()] = True
    marked: NDArray[np.bool_] = is_moved[levels.measure]
    return marked


def widen(updates: pl.DataFrame, first: pl.DataFrame) -> pl.DataFrame:
    """Widen the intervals of steps shown as much as the steps grew since `first`.

    Seasons fitted with a step still in the scans take a part of it, and the same part of its error.
    """
    key = [*_SOFTWARE, *_CELL]
    joined = updates.join(first.select(*key, first="step"), on=key, how="left", maintain_order="left")
    step = pl.col("step")
    wider = pl.when("is_shown").then(pl.max_horizontal(step / pl.col("first"), 1.0)).otherwise(1.0)
    ends = [(step + wider * (pl.col(name) - step)).alias(name) for name in ("low", "high")]
    return joined.with_columns(ends).select(updates.columns)


def shifts_of(levels: Levels, updates: pl.DataFrame) -> NDArray[np.float64]:
    """Return what the updates shown added to each level (rows,), 0 where nothing."""
    told = updates.filter(pl.col("shift") != 0)
    if not len(told):
        return np.zeros(len(levels.value))
    software, known = encode(levels.scans, _SOFTWARE)
    placed = told.join(known.with_row_index("software"), on=_SOFTWARE).join(
        levels.measures.with_row_index("measure"), on=_CELL
    )
    table = np.zeros((len(levels.measures), len(known)))
    table[placed["measure"].to_numpy(), placed["software"].to_numpy()] = placed["shift"].to_numpy()
    shifts: NDArray[np.float64] = table[levels.measure, software[levels.scan]]
    return shifts


def write_updates(engine: Engine, updates: pl.DataFrame) -> None:
    """Write what `judge` returned, with the readings' units."""
    units = as_frame(engine.arrow(_UNITS))
    told = updates.join(units, on="parameter", how="left", maintain_order="left")
    engine.write(UPDATES, told.select(_COLUMNS).to_arrow())
