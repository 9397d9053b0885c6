"""Computed table `computed.reader_updates`: which readings step at a software update of a reader."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.build.codes import IntArray, as_frame, encode
from pipeline.build.levels import Levels, sum_months
from pipeline.compare.effects_updates import UpdateSteps, fit_updates, judge_steps
from pipeline.compare.multiplicity import adjust_by_matter
from pipeline.compare.tiers import NEGLIGIBLE
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

UPDATES = "computed.reader_updates"
PARENTS = ("vocab.parameters", "vocab.settings")
ALONE_P = 0.05
LEAST_VANS = 4
TOO_FEW = "fewer than 4 vans read before and after it, by this reader or by others to compare with"
NO_TELLING = (
    "in no month did this reader and others read vans of one model: its step cannot be told from the season"
)
_PARAMETERS = "select parameter, unit, smallest_useful from vocab.parameters"
_CELL = ["parameter", "state"]
_SOFTWARE = ["reader", "reader_version"]
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


def _sides(scans: pl.DataFrame, update: _Update) -> tuple[IntArray, IntArray]:
    """Mark the scans before (0) and after (1) an update, by its reader and by the others; -1 for all that do not count.

    Those by others count while the reader had the one software or the other.
    """
    is_own, version, at = pl.col("reader") == update.reader, pl.col("reader_version"), pl.col("scanned_at")
    is_before, is_after = is_own & (version == update.before), is_own & (version == update.version)
    is_near = at.is_between(at.filter(is_before).min(), at.filter(is_after).max())
    marked = scans.select(
        own=pl.when(is_after).then(1).when(is_before).then(0).otherwise(-1),
        other=pl.when(is_near & ~is_own).then((at >= update.since).cast(pl.Int32)).otherwise(-1),
    )
    return marked["own"].to_numpy(), marked["other"].to_numpy()


def _count_vans(levels: Levels, van: IntArray, vans: int, side: IntArray) -> IntArray:
    """Count the vans of each measure that were read before and after; `van` and `side` (scans,) as in `_sides`."""
    of_row = side[levels.scan]
    counts = of_row >= 0
    place = (levels.measure[counts].astype(np.int64) * vans + van[levels.scan[counts]]) * 2 + of_row[counts]
    seen = np.bincount(place, minlength=len(levels.measures) * vans * 2).reshape(-1, vans, 2) > 0
    n: IntArray = seen.all(axis=2).sum(axis=1)
    return n


def _list_cells(levels: Levels, updates: pl.DataFrame) -> pl.DataFrame:
    """Return one row per update x parameter x state that vans of its own were read in, with these and others' (`n_vans`)."""
    van, vans = encode(levels.scans, ["van"])
    found = []
    for number, row in enumerate(updates.iter_rows()):
        own, other = (
            _count_vans(levels, van, len(vans), side) for side in _sides(levels.scans, _Update(*row))
        )
        counted = levels.measures.select(_CELL).with_columns(
            measure=pl.int_range(pl.len(), dtype=pl.Int64),
            update=pl.lit(number, pl.Int64),
            n_vans=pl.Series(own),
            n_vans_other=pl.Series(other),
        )
        found.append(counted.filter(pl.col("n_vans") > 0))
    return pl.concat(found).join(updates.with_row_index("update").cast({"update": pl.Int64}), on="update")


def _fit(levels: Levels, updates: pl.DataFrame) -> UpdateSteps:
    """Fit the steps of all updates to levels as they were read."""
    rows = sum_months(levels, _SOFTWARE)
    (van, _), (family, _), (software, known) = (
        encode(rows.visits, names) for names in (["van"], ["family_id"], _SOFTWARE)
    )
    place = known.with_row_index("software")
    before, after = (
        updates.select("reader", reader_version=name)
        .join(place, on=_SOFTWARE, how="left", maintain_order="left")["software"]
        .to_numpy()
        for name in ("version_before", "reader_version")
    )
    return fit_updates(
        rows.value,
        rows.measure,
        rows.visit,
        van=van,
        month=rows.visits["month"].to_numpy(),
        software=software,
        family=family,
        before=before,
        after=after,
    )


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


def judge(
    levels: Levels, settings: Settings, smallest_useful: Mapping[str, float] | None = None
) -> pl.DataFrame:
    """Judge every update on every reading; one row each, in the columns of `computed.reader_updates` less `unit`.

    `shift` is what is taken off the scans with that software before readers and vans are compared: the sum of the
    steps shown up to and with this update.

    Parameters
    ----------
    levels : Levels
        As they were read.
    smallest_useful : mapping, optional
        The smallest useful difference of readings: a step that may be negligible beside it is not shown.
    """
    columns = {c: _TYPES.get(c, pl.String) for c in _COLUMNS if c != "unit"}
    updates = list_software(levels.scans).filter(pl.col("version_before").is_not_null())
    if not len(updates):
        return pl.DataFrame(schema=columns)
    cells = _list_cells(levels, updates)
    steps = _fit(levels, updates)
    enough = cells.filter(pl.min_horizontal("n_vans", "n_vans_other") >= LEAST_VANS).select(
        "measure", "update"
    )
    fitted = pl.DataFrame({"measure": steps.measure, "update": steps.update})
    steps = steps.take(
        fitted.join(
            enough.with_columns(told=True), on=["measure", "update"], how="left", maintain_order="left"
        )["told"]
        .fill_null(False)
        .to_numpy()
    )
    useful = (
        levels.measures["parameter"]
        .replace_strict(smallest_useful or {}, default=0.0, return_dtype=pl.Float64)
        .fill_null(0.0)
        .to_numpy()
    )
    judged = judge_steps(steps, NEGLIGIBLE * useful[steps.measure])
    told = pl.DataFrame(
        {"measure": steps.measure, "update": steps.update, "step": steps.step, **vars(judged)}
    )
    frame = cells.join(told, on=["measure", "update"], how="left").sort(["reader", "since", *_CELL])
    q, shown = _shown(frame, frame["p"].fill_null(np.nan).to_numpy(), settings.tiers.finding_q)
    is_few = pl.min_horizontal("n_vans", "n_vans_other") < LEAST_VANS
    made = frame.with_columns(
        q=pl.Series(q).fill_nan(None),
        is_shown=pl.Series(shown),
        reason=pl.when(is_few).then(pl.lit(TOO_FEW)).when(pl.col("p").is_null()).then(pl.lit(NO_TELLING)),
    )
    total = pl.when("is_shown").then(pl.col("step")).otherwise(0.0).cum_sum().over("reader", *_CELL)
    return made.with_columns(shift=total).select(pl.col(c).cast(t) for c, t in columns.items())


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
    units = as_frame(engine.arrow(_PARAMETERS)).select("parameter", "unit")
    told = updates.join(units, on="parameter", how="left", maintain_order="left")
    engine.write(UPDATES, told.select(_COLUMNS).to_arrow())


def read_smallest_useful(engine: Engine) -> dict[str, float]:
    """Return the smallest useful difference of every reading that has one."""
    known = as_frame(engine.arrow(_PARAMETERS)).drop_nulls("smallest_useful")
    return dict(known.select("parameter", "smallest_useful").iter_rows())
