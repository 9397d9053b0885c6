"""Which scan a row belongs to: its `scan_id`, or van, reader and time where it has none."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.normalise.cells import Cells
from pipeline.normalise.distinct import part_distinct, part_together

WITHOUT = "The row has no scan_id, and not all of van, reader and scanned_at"
REMEDY = "Give every row a scan_id, or van, reader and scanned_at."


@dataclass(frozen=True)
class ScanKeys:
    """`scan_id` and `reader` of every row, and the scans that rows without an id speak of."""

    scan_id: pl.Series
    reader: pl.Series
    scans: pl.DataFrame


def make_scan_id(van: pl.Expr, reader: pl.Expr, scanned_at: pl.Expr) -> pl.Expr:
    """Return `van|reader|time` with the time as ISO 8601 in UTC, so that one instant has one id."""
    return pl.concat_str([van, reader, scanned_at.dt.strftime("%Y-%m-%dT%H:%M:%SZ")], separator="|")


def find_scan_keys(cells: Cells) -> ScanKeys:
    """Find the scan of every row; rows without one are lost.

    `scans` has one row per scan made up here: `line`, `scan_id`, `van`, `reader`, `scanned_at`.
    """
    scan_id, reader = cells.name("scan_id"), cells.name("reader")
    nothing = pl.DataFrame(
        schema={
            "line": pl.Int64,
            "scan_id": pl.String,
            "van": pl.String,
            "reader": pl.String,
            "scanned_at": pl.Datetime("us"),
        }
    )
    without = scan_id.is_null()
    if not without.any():
        return ScanKeys(scan_id, reader, nothing)
    van, scanned_at = cells.name("van"), cells.time("scanned_at", loses_row=bool(without.all()))
    keys = pl.DataFrame({"van": van, "reader": reader, "scanned_at": scanned_at})
    different = part_together([part_distinct(cells.raw(c)) for c in keys.columns])
    each = keys.select(pl.all().gather(different.first)).with_columns(
        scan_id=make_scan_id(pl.col("van"), pl.col("reader"), pl.col("scanned_at"))
    )
    made = each["scan_id"].gather(different.places)
    is_nowhere = without & made.is_null() & ~cells.faults.lost  # what is lost already is said already
    cells.faults.add(is_nowhere, "scan_id", scan_id, WITHOUT, REMEDY)
    rows = pl.DataFrame({"line": cells.given["line"], "which": different.places})
    telling = rows.filter(without & made.is_not_null() & ~cells.faults.lost)
    first = telling.unique("which", keep="first", maintain_order=True)
    scans = pl.concat([first, each.select(pl.all().gather(first["which"]))], how="horizontal")
    scans = scans.select(nothing.columns).unique("scan_id", keep="first", maintain_order=True)
    return ScanKeys(scan_id.fill_null(made), reader, scans)
