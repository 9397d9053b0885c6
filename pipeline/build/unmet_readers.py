"""Readers that share too few vans with the others: what they alone have read cannot be told from the vans."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.build.codes import as_frame
from pipeline.warehouse.engines import Engine

Row = dict[str, Any]
PARENTS = (
    "int_compared_scans", "int_window_bounds", "int_window_means", "int_reader_links", "int_numbered_scans",
    "int_numbered_vans", "int_cells", "computed.reader_effects", "vans", "vocab.parameters",
)  # fmt: skip
_IS_ANY_APART = "select 1 from computed.reader_effects where component <> 'linked' limit 1"
# Means per van and reader of every cohort x parameter x state in which some reader is apart from most readers.
_CELLS = """
with level_scans as (
    select v.cohort_id, v.van, c.parameter, c.state, s.reader, s.scanned_at, l.component, l.is_linked, w.value_adjusted
    from int_compared_scans as w
    inner join int_window_bounds as b on w.van_no = b.van_no and w.cell_no = b.cell_no and w.scan_no between b.from_no and b.to_no
    inner join int_reader_links as l on w.van_no = l.van_no and w.reader_no = l.reader_no and w.cell_no = l.cell_no
    inner join int_numbered_scans as s on w.scan_no = s.scan_no
    inner join int_numbered_vans as v on w.van_no = v.van_no
    inner join int_cells as c on w.cell_no = c.cell_no
    where b.window_name = 'level'
),
concerned as (
    select distinct cohort_id, parameter, state
    from level_scans
    where cohort_id is not null and component <> 'linked'
),
cells as (
    select w.cohort_id, w.van, w.parameter, w.state, w.reader, w.is_linked, w.component <> 'linked' as is_apart,
        avg(w.value_adjusted) as y, count(*) as m, min(w.scanned_at) as first_at, max(w.scanned_at) as last_at
    from level_scans as w
    inner join concerned as c on w.cohort_id = c.cohort_id and w.parameter = c.parameter and w.state = c.state
    where w.component is not null
    group by w.cohort_id, w.van, w.parameter, w.state, w.reader, w.is_linked, w.component
),
scatter as (
    select v.parameter, v.state, sqrt(sum((v.m - 1) * v.s2) / nullif(sum(v.m - 1), 0)) as scan_sd
    from (
        select w.van, w.reader, w.parameter, w.state, count(*) as m, var_samp(w.value_adjusted) as s2
        from level_scans as w
        inner join (select distinct parameter, state from concerned) as c
            on w.parameter = c.parameter and w.state = c.state
        group by w.van, w.reader, w.parameter, w.state
    ) as v
    where v.s2 is not null
    group by v.parameter, v.state
)
select cells.*, p.unit, p.smallest_useful, p.resolution, scatter.scan_sd
from cells
left join scatter on cells.parameter = scatter.parameter and cells.state = scatter.state
inner join vocab.parameters as p on cells.parameter = p.parameter
order by cells.parameter, cells.state, cells.cohort_id, cells.van, cells.reader
"""
_READ = """
select distinct f.van, f.reader
from int_window_means as w
inner join int_numbered_scans as f on w.first_no = f.scan_no
where w.window_name = 'level'
"""
_KEYS = ["parameter", "state"]
_CELL = ["cohort_id", *_KEYS]


def _busiest(read: pl.DataFrame) -> list[str]:
    """The readers, that of most vans first."""
    return read.group_by("reader").len().sort(-pl.col("len").cast(pl.Int64), "reader")["reader"].to_list()


def _shared(read: pl.DataFrame) -> dict[str, int]:
    """By reader, how many of the vans it has read another one has read too."""
    both = read.filter(pl.len().over("van") > 1)
    return dict(both.group_by("reader").len().iter_rows())


def _alone(cells: pl.DataFrame) -> pl.DataFrame:
    """Vans read by no other reader, with how far they seem to stand from siblings read by the others."""
    siblings = (
        cells.filter("is_linked")
        .group_by(*_CELL, "van")
        .agg((pl.col("y") * pl.col("m")).sum() / pl.col("m").sum())
        .group_by(_CELL)
        .agg(pl.col("y").median().alias("expected"), pl.len().alias("n_siblings"))
    )
    return (
        cells.filter(~pl.col("is_linked").any().over("van", *_KEYS))
        .join(siblings, on=_CELL, how="left", maintain_order="left")
        .with_columns(difference=pl.col("y") - pl.col("expected"))
        .with_columns(
            size=(pl.col("difference").abs() / pl.coalesce("smallest_useful", "resolution")).fill_null(0.0)
        )
    )


def _partners(cells: pl.DataFrame, busiest: list[str]) -> pl.DataFrame:
    """The reader that has read most comparable siblings of each cohort x parameter x state."""
    rank = {reader: place for place, reader in enumerate(busiest)}
    return (
        cells.filter("is_linked")
        .group_by(*_CELL, "reader")
        .agg(pl.col("van").n_unique().alias("n"))
        .with_columns(place=pl.col("reader").replace_strict(rank, default=len(rank), return_dtype=pl.Int64))
        .sort("n", "place", descending=[True, False])
        .group_by(_CELL, maintain_order=True)
        .agg(pl.col("reader").first().alias("other_reader"))
    )


def read_unmet(engine: Engine) -> list[Row]:
    """Rows per reader x parameter x state in which it cannot be held against the reader of most vans.

    Returns
    -------
    list of dict
        reader, parameter, state, unit, smallest_useful, scan_sd (between scans of one van), vans (those read with nothing else, the farthest from their siblings first;
        may be empty), read_vans (all it has read there), own_vans (those of them most of whose siblings are read by it
        or by readers it can be held against: compared as ever), other_vans (siblings of these that it has not read:
        compared with nobody), n_shared (vans of any reading that another reader
        has read too), value, expected, difference, size of the farthest (None without siblings),
        n_siblings, n_scans, first_seen, last_seen, other_reader, cohort_id (where all vans are of one).
    """
    if not engine.values(_IS_ANY_APART):
        return []
    cells = as_frame(engine.arrow(_CELLS))
    if cells.is_empty():
        return []
    read = as_frame(engine.arrow(_READ))
    busiest, shared = _busiest(read), _shared(read)
    alone = _alone(cells).join(_partners(cells, busiest), on=_CELL, how="left")
    rows: list[Row] = []
    for (reader, parameter, state), part in cells.filter("is_apart").group_by(
        "reader", *_KEYS, maintain_order=True
    ):
        mine = alone.filter(
            (pl.col("reader") == reader) & (pl.col("parameter") == parameter) & (pl.col("state") == state)
        ).sort("size", "van", descending=[True, False])
        own = part.filter("is_linked")
        left = alone.filter(~pl.col("is_apart")).join(own.select(_CELL).unique(), on=_CELL, how="semi")
        lead = mine.row(0, named=True) if mine.height else dict.fromkeys(mine.columns)
        others = [r for r in busiest if r != reader]
        cohorts = part["cohort_id"].unique().to_list()
        rows.append(
            {
                "reader": reader,
                "parameter": parameter,
                "state": state,
                "unit": part["unit"][0],
                "smallest_useful": part["smallest_useful"][0],
                "scan_sd": part["scan_sd"][0],
                "vans": mine["van"].unique(maintain_order=True).to_list(),
                "read_vans": part["van"].unique().sort().to_list(),
                "own_vans": own["van"].unique().sort().to_list(),
                "other_vans": left["van"].unique().sort().to_list(),
                "n_shared": shared.get(reader, 0),
                "value": lead["y"],
                "expected": lead["expected"],
                "difference": lead["difference"],
                "size": lead["size"] or 0.0,
                "n_siblings": lead["n_siblings"] or 0,
                "n_scans": int(part["m"].sum()),
                "first_seen": part["first_at"].min(),
                "last_seen": part["last_at"].max(),
                "other_reader": lead["other_reader"] or (others[0] if others else None),
                "cohort_id": cohorts[0] if len(cohorts) == 1 else None,
            }
        )
    return rows
