"""Scans before, after and late for every piece of work, of its own van and of the vans it may be held against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.build.codes import as_frame, encode
from pipeline.compare.repairs import Members, window_means
from pipeline.warehouse.engines import Engine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_LENDERS = 4  # cohorts that lend their variance to one case: more cost time and hardly steady it
_SCANS = """
select v.van, v.cohort_id,
    case when l.component <> 'linked' then concat(v.family_id, ' ', l.component) else v.family_id end as family_id,
    c.parameter, c.state, cast(s.scanned_at as date) as scan_day, f.value_compared as value
from int_followed_scans as f
inner join int_cells as c on f.cell_no = c.cell_no
inner join int_reader_links as l on f.van_no = l.van_no and f.reader_no = l.reader_no and f.cell_no = l.cell_no
inner join int_numbered_scans as s on f.scan_no = s.scan_no
inner join int_numbered_vans as v on f.van_no = v.van_no
where f.is_linked and c.parameter in (select distinct parameter from int_repair_windows)
order by f.cell_no, f.van_no, f.scan_no
"""
_EPOCH = pl.date(1990, 1, 1)


@dataclass(frozen=True)
class Scans:
    """Scan values as numbered series, one per van x parameter x state, and the series' vans."""

    series: Ints
    day: Ints
    value: Floats
    known: pl.DataFrame


@dataclass(frozen=True)
class Side:
    """Scans and mean in one window, of vans or of siblings."""

    n: Ints
    mean: Floats


def days_of(column: str) -> pl.Expr:
    """Days since 1990 of a date; windows that do not exist lie before any scan."""
    days: pl.Expr = (pl.col(column) - _EPOCH).dt.total_days().cast(pl.Int64).fill_null(0)
    return days


def read_scans(engine: Engine) -> Scans:
    """Read the scan values of all readings that any work bears on, season, readers and exposures taken off."""
    frame = as_frame(engine.arrow(_SCANS)).with_columns(day=days_of("scan_day"))
    series, known = encode(frame, ["van", "cohort_id", "family_id", "parameter", "state"])
    known = known.with_columns(series=pl.int_range(pl.len(), dtype=pl.Int64))
    return Scans(series, frame["day"].to_numpy(), frame["value"].to_numpy(), known)


def pair_up(cases: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Return one row per case and van it may be held against: `group` 0 its own cohort, else a lending cohort.

    Lenders are the cohorts with the same reading, those of its family first.
    """
    on = ["parameter", "state"]
    cohorts = known.filter(pl.col("cohort_id").is_not_null()).select(*on, "cohort_id", "family_id").unique()
    lending = (
        cases.select("case", *on, "cohort_id", "family_id")
        .join(cohorts, on=on, how="inner", suffix="_of")
        .with_columns(
            group=pl.when(pl.col("cohort_id") == pl.col("cohort_id_of"))
            .then(0)
            .when(pl.col("family_id") == pl.col("family_id_of"))
            .then(1)
            .otherwise(2)
        )
        .sort("case", "group", "cohort_id_of", "family_id_of")
        .unique(["case", "cohort_id_of"], keep="first", maintain_order=True)
        .with_columns(place=pl.int_range(pl.len()).over("case"))
        .filter((pl.col("group") == 0) | (pl.col("place") <= MOST_LENDERS))
        .with_columns(
            group=pl.when(pl.col("group") == 0).then(0).otherwise(pl.col("place") + 1).cast(pl.Int64)
        )
    )
    return lending.select("case", *on, pl.col("cohort_id_of").alias("cohort_id"), "group").join(
        known.filter(pl.col("cohort_id").is_not_null()), on=[*on, "cohort_id"], how="inner"
    )


def pair_with_family(cases: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Return the vans of all model years for the cases given, as group 0."""
    on = ["parameter", "state", "family_id"]
    return cases.select("case", *on).join(known, on=on, how="inner").with_columns(group=pl.lit(0, pl.Int64))


def with_windows(pairs: pl.DataFrame, cases: pl.DataFrame, scans: Scans, work: pl.DataFrame) -> pl.DataFrame:
    """Add each van's scans and mean on both sides and late; leave out the case's own van; mark vans with work."""
    windows = cases.select(
        "case", own=pl.col("van"),
        **{c: days_of(c) for c in ("before_from", "before_to", "after_from", "after_to", "late_from")},
    )  # fmt: skip
    pairs = pairs.join(windows, on="case", how="left").filter(pl.col("van") != pl.col("own"))
    found: dict[str, pl.Series] = {}
    for name, start, end in (
        ("before", "before_from", "before_to"),
        ("after", "after_from", "after_to"),
        ("late", "late_from", "after_to"),
    ):
        side = side_of(scans, pairs, start, end)
        found |= {f"n_{name}": pl.Series(side.n), name: pl.Series(side.mean)}
    return pairs.with_columns(**found).with_columns(had_work=pl.Series(_had_work(pairs, work)))


def side_of(scans: Scans, rows: pl.DataFrame, start: str, end: str) -> Side:
    """Return scans and mean of each row's series from the day in column `start` up to that in `end`, excluded."""
    first, last = rows[start].to_numpy(), rows[end].to_numpy()
    return Side(*window_means(scans.series, scans.day, scans.value, rows["series"].to_numpy(), first, last))


def _had_work(pairs: pl.DataFrame, work: pl.DataFrame) -> NDArray[np.bool_]:
    """Whether a van had work on the part between the first scan before and the last scan after."""
    keys = (
        pl.concat([pairs.select("van", "parameter"), work.select("van", "parameter")]).unique().sort(pl.all())
    )
    keys = keys.with_columns(line=pl.int_range(pl.len(), dtype=pl.Int64))
    lines = work.join(keys, on=["van", "parameter"], how="left", maintain_order="left")["line"].to_numpy()
    mine = pairs.join(keys, on=["van", "parameter"], how="left", maintain_order="left")["line"].to_numpy()
    day = work.select(day=days_of("work_day"))["day"].to_numpy()
    n, _ = window_means(
        lines, day, np.zeros(len(day)), mine, pairs["before_from"].to_numpy(), pairs["after_to"].to_numpy()
    )
    return n > 0


def members_of(pairs: pl.DataFrame, value: pl.Expr, inverse: pl.Expr) -> Members:
    """Return the vans each case is set against, with a value and one over its scans; vans without a value are left out."""
    kept = pairs.select("case", "group", value=value, inverse=inverse).filter(pl.col("value").is_finite())
    return Members(
        kept["case"].to_numpy(), kept["group"].cast(pl.Int64).to_numpy(), kept["value"].to_numpy(), kept["inverse"].to_numpy()
    )  # fmt: skip
