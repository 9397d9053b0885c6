"""The chart that shows one matter best, for print, with how to read it."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard.charts.code_names import Code
from dashboard.charts.exposure_words import Contrast
from dashboard.charts.frame import Chart
from dashboard.charts.words import Reading
from dashboard.exports.code_pictures import find_code, picture_code_strips
from dashboard.exports.drift_pictures import find_drift, picture_drift
from dashboard.exports.exposure_pictures import picture_exposure
from dashboard.exports.picture import SIBLINGS_KEY, Caption
from dashboard.exports.reader_pictures import picture_agreement
from dashboard.exports.reading_pictures import draw_own_group, find_reading, picture_series
from dashboard.exports.repair_pictures import picture_repair
from dashboard.questions import exposures, readers, repairs
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError

_MOST_GROUPS = 4  # as many as half a page holds in letters that can be read
Picture = tuple[Chart, Caption]


def picture_matter(warehouse: Warehouse, row: dict[str, Any]) -> tuple[Chart, str] | None:
    """Return the chart of a matter and how to read it; None where words say all there is.

    Parameters
    ----------
    warehouse : Warehouse
    row : dict
        One row of `list_findings`.
    """
    if row["kind"] in ("van_level", "van_change") and row["parameter"] is not None:
        channel = "change" if row["kind"] == "van_change" else row["movement"] or "level"
        chart = draw_own_group(warehouse, Reading.from_row(row, channel), row["van"])
        return (chart, SIBLINGS_KEY) if chart is not None else None
    draw = _DRAWN.get(row["kind"])
    try:
        found = draw(warehouse, row) if draw else None
    except KinbayError:
        return None
    return (found[0], found[1].key) if found else None


def _series(warehouse: Warehouse, row: dict[str, Any]) -> Picture | None:
    """One van over time beside its siblings; a reading that stands still does so in every state."""
    return picture_series(warehouse, row["van"], find_reading(warehouse, row["parameter"], row["state"]))


def _drift(warehouse: Warehouse, row: dict[str, Any]) -> Picture | None:
    """A reading against the siblings month by month."""
    van = row["van"]
    return picture_drift(warehouse, van, find_drift(warehouse, van, row["parameter"], row["state"]))


def _strips(warehouse: Warehouse, row: dict[str, Any]) -> Picture | None:
    code = find_code(warehouse, Code(row["module"] or "", row["code"], "", "other").short, [row["van"]])
    return picture_code_strips(warehouse, code, ALL_VANS, [row["van"]])


def _exposure(warehouse: Warehouse, row: dict[str, Any]) -> Picture | None:
    """Vans at either level; a code's vans are counted in the claim."""
    if row["parameter"] is None:
        return None
    tested = exposures.list_exposure_effects(warehouse).filter(
        (pl.col("attribute") == pl.lit(row["attribute"])) & (pl.col("level") == pl.lit(row["level"]))
    )
    if tested.is_empty():
        return None
    contrast = Contrast.from_row(tested.row(0, named=True))
    return picture_exposure(warehouse, contrast, Reading.from_row(row), ALL_VANS, _MOST_GROUPS)


def _agreement(warehouse: Warehouse, row: dict[str, Any]) -> Picture | None:
    """Two readers on the same vans; an update of one reader's own software is held against no other."""
    held = readers.list_reader_effects(warehouse).filter(
        (pl.col("reader") == pl.lit(row["reader"]))
        & (pl.col("parameter") == pl.lit(row["parameter"]))
        & (pl.col("state") == pl.lit(row["state"]))
    )
    if held.is_empty() or row["against"] != "other_reader":
        return None
    two = (row["reader"], held["reference"][0])
    return picture_agreement(warehouse, two, Reading.from_row(row), ALL_VANS)


def _repair(warehouse: Warehouse, row: dict[str, Any]) -> Picture | None:
    """The very piece of work the claim is about; a code that came back after work for it, scan by scan."""
    if row["code"] is not None:
        return _strips(warehouse, row)
    for job in repairs.list_repairs(warehouse, [row["van"]]).iter_rows(named=True):
        told = repairs.list_repair_readings(warehouse, job["van"], job["worked_at"], job["what"], job["part"])
        own = told.filter(pl.col("claim") == pl.lit(row["claim"]))
        if own.height:
            return picture_repair(warehouse, own.row(0, named=True))
    return None


_DRAWN = {
    "van_drift": _drift,
    "reading_frozen": _series,
    "code_persistent": _strips,
    "exposure_effect": _exposure,
    "reader_bias": _agreement,
    "repair_effect": _repair,
}
