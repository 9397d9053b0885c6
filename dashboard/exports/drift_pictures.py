"""The chart of a van's drift for print, with its caption."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard.charts.drift import DRIFT_KEY, draw_drift, say_drift
from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.words import Reading, clean_text
from dashboard.exports.picture import Caption, caption_of
from dashboard.exports.van_facts import find_van
from dashboard.questions import fleet, vans
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError


def find_drift(
    warehouse: Warehouse, van: str, parameter: str | None = None, state: str | None = None
) -> dict[str, Any]:
    """Return a van's row of `list_van_drifts` for a reading; the surest where little is named.

    Raises
    ------
    KinbayError
        Where the van has no siblings to be followed against in it.
    """
    rows = vans.list_van_drifts(warehouse, van)
    for column, wanted in (("parameter", parameter), ("state", state)):
        if wanted is not None:
            rows = rows.filter(pl.col(column) == pl.lit(wanted))
    if rows.is_empty():
        raise KinbayError(
            f"Van {clean_text(van)} cannot be followed through time{' in this reading' if parameter else ''}",
            remedy="It takes 8 scans of the van and three siblings scanned over the same months; `kinbay van` lists what"
            " is followed.",
        )
    return rows.row(0, named=True)


def picture_drift(warehouse: Warehouse, van: str, row: dict[str, Any]) -> tuple[Chart, Caption]:
    """Return the chart of one reading of a van against its siblings through time, and its caption."""
    facts, reading = find_van(warehouse, van), Reading.from_row(row)
    months = vans.list_drift_months(warehouse, van, reading.parameter, reading.state)
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title=f"{reading.title}: van {van} against its siblings, month by month",
        finding=say_drift(row, months),
        filters=f"van {van}, {facts['cohort']}",
        n_vans=int(row["n_siblings"] or 0) + 1,
        n_scans=int(row["n_scans"]),
        key=DRIFT_KEY,
    )
    return draw_drift(van, row, months, PRINT), caption
