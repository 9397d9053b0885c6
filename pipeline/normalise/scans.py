"""Scans: who read which van when, and which modules answered."""

from __future__ import annotations

import polars as pl

from pipeline.normalise.cells import Cells
from pipeline.normalise.conventions import Conventions, Normalised
from pipeline.normalise.modules import same_modules, say_unknown
from pipeline.normalise.scan_keys import make_scan_id
from pipeline.normalise.text import clean_names


def normalise_scans(given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise rows of the tidy table `scans`.

    Returns
    -------
    Normalised
        `scans`, and `scan_modules` with one row per scan and module named in `modules` (answered) or
        `modules_silent`. An empty `modules` leaves the coverage unknown.
    """
    cells = Cells(given, conventions)
    van, reader = cells.name("van", required=True), cells.name("reader", required=True)
    scanned_at, ended_at = cells.time("scanned_at", required=True), cells.time("ended_at")
    early = ended_at < scanned_at
    cells.faults.add(
        early,
        "ended_at",
        cells.raw("ended_at"),
        "The scan ends before it begins",
        "Correct it.",
        keeps_row=True,
    )
    answered = clean_names(cells.raw("modules"))
    rows = pl.DataFrame(
        {
            "line": given["line"],
            "scan_id": cells.name("scan_id"),
            "van": van,
            "reader": reader,
            "reader_version": cells.text("reader_version"),
            "scanned_at": scanned_at,
            "ended_at": pl.select(pl.when(~early.fill_null(value=False)).then(ended_at)).to_series(),
            "odometer_km": cells.kilometres(),
            "ambient_c": cells.number("ambient_c", least=-90, most=90),
            "rest_v": cells.number("rest_v", least=0, most=60),
            "standing_days": cells.number("standing_days", least=0, most=36_500),
            "coverage_known": answered.is_not_null(),
            "operator": cells.text("operator"),
            "note": cells.text("note"),
        }
    ).with_columns(
        scan_id=pl.coalesce("scan_id", make_scan_id(pl.col("van"), pl.col("reader"), pl.col("scanned_at")))
    )
    kept = cells.faults.keep(rows)
    modules = pl.concat(
        [
            _modules(cells, rows, answered, is_answered=True),
            _modules(cells, rows, clean_names(cells.raw("modules_silent")), is_answered=False),
        ]
    ).unique(["scan_id", "reader", "module_given", "answered"], keep="first", maintain_order=True)
    return Normalised(
        {"scans": kept, "scan_modules": modules},
        "scans",
        cells.faults.rejects(),
        int(cells.faults.lost.sum()),
        notes=(*cells.notes(), *say_unknown(modules["module_given"])),
    )


def _modules(cells: Cells, rows: pl.DataFrame, listed: pl.Series, *, is_answered: bool) -> pl.DataFrame:
    """One row per scan and module of a `;` list."""
    wide = cells.faults.keep(rows.select("line", "scan_id", "reader", module=listed.str.split(";")))
    long = wide.explode("module", empty_as_null=True, keep_nulls=False).with_columns(
        pl.col("module").str.strip_chars()
    )
    named = long.filter(pl.col("module") != "").rename({"module": "module_given"})
    return named.with_columns(
        same_modules(named["module_given"]).alias("module"), answered=pl.lit(is_answered)
    )
