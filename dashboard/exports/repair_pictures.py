"""The chart of one piece of work for print, with its caption."""

from __future__ import annotations

import json
from typing import Any

import polars as pl

from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.repairs import WORDS, draw_repair
from dashboard.charts.words import Reading
from dashboard.exports.picture import Caption, caption_of
from dashboard.exports.van_facts import find_van
from dashboard.questions import fleet, repairs, vans
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError

REPAIR_KEY = (
    "Marks: scans of this van that count before and after the work, and those that do not. Short lines: their mean as"
    " read. Shaded: the middle 90 % of its siblings' scans each month; dashed: their median. Vertical line: the work."
    " The figures in the text have the season's and the readers' share taken off."
)


def read_row(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row of `list_repair_readings` with its rivals as a list."""
    return row | {"rivals": json.loads(row["rivals"] or "[]")}


def picture_repair(warehouse: Warehouse, row: dict[str, Any]) -> tuple[Chart, Caption]:
    """Return the chart of one piece of work in one reading for print and its caption.

    Parameters
    ----------
    warehouse : Warehouse
    row : dict
        One row of `list_repair_readings`.
    """
    reading = Reading.from_row(row)
    van = row["van"]
    facts = find_van(warehouse, van)
    scans = vans.list_van_scan_values(warehouse, van, reading.parameter, reading.state)
    months = vans.list_sibling_months(warehouse, van, reading.parameter, reading.state)
    rivals = read_row(row)["rivals"]
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title=f"{reading.title}: van {van} before and after work",
        finding=row["claim"] + (f" Could also be: {'; '.join(rivals)}." if rivals else ""),
        filters=f"van {van}, {facts['cohort']}",
        n_vans=int(row["n_siblings"] or 0) + 1,
        n_scans=int(row["n_before"] + row["n_after"]),
        key=REPAIR_KEY,
    )
    return draw_repair(row, scans, months, reading, PRINT), caption


def find_repair(
    warehouse: Warehouse, van: str | None, parameter: str | None, state: str | None
) -> dict[str, Any]:
    """Return the piece of work to draw: of a van, a reading and a state where named, what did not hold first.

    Raises
    ------
    KinbayError
        Where no such work touches a reading.
    """
    names = [van] if van is not None else fleet.list_shown_vans(warehouse, ALL_VANS)["van"].to_list()
    jobs = repairs.list_repairs(warehouse, names).filter(pl.col("n_readings") > 0)
    jobs = jobs.sort(pl.col("verdict").cast(pl.Enum(list(WORDS))), maintain_order=True)
    for job in jobs.iter_rows(named=True):
        rows = repairs.list_repair_readings(warehouse, job["van"], job["worked_at"], job["what"], job["part"])
        if parameter:
            rows = rows.filter(pl.col("parameter") == parameter)
        if state:
            rows = rows.filter(pl.col("state") == state)
        if rows.height:
            return rows.row(0, named=True)
    raise KinbayError(
        "No work on record touches a reading like that",
        ", ".join(part for part in (van and f"van {van}", parameter, state) if part),
        "See the work on the page Repairs, and the part names in the list of work.",
    )
