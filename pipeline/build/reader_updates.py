"""Computed table `computed.reader_updates`: which readings step at a software update of a reader."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.build.codes import as_frame, encode
from pipeline.compare.multiplicity import adjust_by_matter
from pipeline.compare.steps import Moved, judge_updates
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

UPDATES = "computed.reader_updates"
PARENTS = ("vocab.parameters", "vocab.settings")
DAYS = 180  # on either side of an update: several scans of every van, and little wear
ALONE_P = 0.05
TOO_FEW = "fewer than 4 vans read before and after it, by this reader or by others to compare with"
_UNITS = "select parameter, unit from vocab.parameters"
_CELL = ["parameter", "state"]
_UPDATE = ["reader", "reader_version", *_CELL]
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


def list_software(scans: pl.DataFrame) -> pl.DataFrame:
    """Return one row per reader and software in order of its first scan, with the software before it (null: none)."""
    known = scans.filter(pl.col("reader_version").is_not_null())
    versions = known.group_by("reader", "reader_version").agg(since=pl.col("scanned_at").min())
    return versions.sort("reader", "since", "reader_version").with_columns(
        version_before=pl.col("reader_version").shift().over("reader")
    )


def _moved(rows: pl.DataFrame, is_after: pl.Expr, is_before: pl.Expr, suffix: str) -> pl.DataFrame:
    """How far vans moved from before to after, summed over the vans of each reading and state."""
    value = pl.col("value")
    by_van = rows.group_by(*_CELL, "van").agg(
        moved=value.filter(is_after).mean() - value.filter(is_before).mean()
    )
    summed = by_van.filter(pl.col("moved").is_not_null()).group_by(_CELL)
    moved = pl.col("moved")
    return summed.agg(
        pl.len().cast(pl.Int64).alias(f"n{suffix}"),
        moved.mean().alias(f"moved{suffix}"),
        moved.var().alias(f"variance{suffix}"),
    )


def sum_moves(scans: pl.DataFrame) -> pl.DataFrame:
    """Return how far vans moved over every update: those read by it, and those that others read at that time.

    A scan by another reader counts only with the software that reader had on the day: an update of its own within
    these months must not pass for one here.

    Parameters
    ----------
    scans : pl.DataFrame
        van, reader, reader_version, scanned_at, parameter, state and value; season and constant biases taken off.

    Returns
    -------
    One row per update x parameter x state with vans of its own on both sides: n, moved, variance (over vans, of after
    less before) and the same of vans read by others (`_other`).
    """
    in_order = scans.sort("scanned_at")
    when = in_order["scanned_at"].to_numpy()
    software = list_software(scans)
    found = []
    for reader, version, since, before in software.filter(pl.col("version_before").is_not_null()).iter_rows():
        reach = timedelta(days=DAYS)
        first, last = np.searchsorted(when, np.array([since - reach, since + reach], dtype=when.dtype))
        near = in_order[int(first) : int(last)]
        on_the_day = (
            software.filter(pl.col("since") <= since).group_by("reader").agg(pl.col("reader_version").last())
        )
        own = _moved(
            near.filter(pl.col("reader") == reader),
            pl.col("reader_version") == version,
            pl.col("reader_version") == before,
            "",
        )
        same = near.filter(pl.col("reader") != reader).join(
            on_the_day, on=["reader", "reader_version"], how="semi"
        )
        unnamed = near.filter((pl.col("reader") != reader) & pl.col("reader_version").is_null())
        is_late = pl.col("scanned_at") >= since
        others = _moved(pl.concat([same, unnamed]), is_late, ~is_late, "_other")
        found.append(
            own.join(others, on=_CELL, how="left").with_columns(
                pl.lit(reader).alias("reader"),
                pl.lit(version).alias("reader_version"),
                pl.lit(before).alias("version_before"),
                pl.lit(since).cast(pl.Datetime("us")).alias("since"),
            )
        )
    return pl.concat(found).sort(["reader", "since", *_CELL]) if found else pl.DataFrame()


def _summed(frame: pl.DataFrame, suffix: str) -> Moved:
    n, moved, variance = (frame[f"{name}{suffix}"].cast(pl.Float64) for name in _SUMS)
    return Moved(
        n.fill_null(0).cast(pl.Int64).to_numpy(),
        moved.fill_null(np.nan).to_numpy(),
        variance.fill_null(np.nan).to_numpy(),
    )


def _shown(frame: pl.DataFrame, p: np.ndarray, finding_q: float) -> tuple[np.ndarray, np.ndarray]:
    """Return q of every row, and where a step is shown; the states of a reading are one matter.

    Once an update is known to have moved a reading, another state of it counts where it would by itself.
    """
    told = ~np.isnan(p)
    _, matter = np.unique(encode(frame, _UPDATE[:3])[0][told], return_inverse=True)
    q = np.full(len(frame), np.nan)
    q[told], q_matter = adjust_by_matter(p[told], matter)
    shown = np.zeros(len(frame), np.bool_)
    shown[told] = (q[told] <= finding_q) | ((q_matter[matter] <= finding_q) & (p[told] <= ALONE_P))
    return q, shown


def judge(scans: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Judge every update on every reading; one row each, in the columns of `computed.reader_updates` less `unit`.

    `shift` is what is taken off the scans with that software before readers and vans are compared: the sum of the
    steps shown up to and with this update.
    """
    columns = [c for c in _COLUMNS if c != "unit"]
    frame = sum_moves(scans)
    if not len(frame):
        return pl.DataFrame(schema={c: _TYPES.get(c, pl.String) for c in columns})
    judged = judge_updates(_summed(frame, ""), _summed(frame, "_other"))
    q, shown = _shown(frame, judged.p, settings.tiers.finding_q)
    made = frame.with_columns(
        **{name: pl.Series(getattr(judged, name)).fill_nan(None) for name in ("step", "low", "high", "p")},
        q=pl.Series(q).fill_nan(None),
        is_shown=pl.Series(shown),
        reason=pl.when(pl.Series(np.isnan(judged.p))).then(pl.lit(TOO_FEW)),
        n_vans=pl.col("n"),
        n_vans_other=pl.col("n_other").fill_null(0),
    )
    total = pl.when("is_shown").then(pl.col("step")).otherwise(0.0).cum_sum().over("reader", *_CELL)
    return made.with_columns(shift=total).select(pl.col(c).cast(_TYPES.get(c, pl.String)) for c in columns)


def shifts_of(scans: pl.DataFrame, updates: pl.DataFrame) -> np.ndarray:
    """Return what the updates shown added to each scan's value, 0 where nothing."""
    told = updates.filter(pl.col("shift") != 0).select(*_UPDATE, "shift")
    if not len(told):
        return np.zeros(len(scans))
    joined = scans.select(_UPDATE).join(told, on=_UPDATE, how="left", maintain_order="left")
    return joined["shift"].fill_null(0.0).to_numpy()


def write_updates(engine: Engine, updates: pl.DataFrame) -> None:
    """Write what `judge` returned, with the readings' units."""
    units = as_frame(engine.arrow(_UNITS))
    told = updates.join(units, on="parameter", how="left", maintain_order="left")
    engine.write(UPDATES, told.select(_COLUMNS).to_arrow())
