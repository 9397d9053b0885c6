"""Charts of readings for print, each with its caption: across siblings, of one van, over time."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.series import draw_series
from dashboard.charts.siblings import draw_siblings, say_outside
from dashboard.charts.van import draw_van
from dashboard.charts.words import Reading, say_evidence, say_standing, say_verdict
from dashboard.exports.picture import SERIES_KEY, SIBLINGS_KEY, VAN_KEY, Caption, caption_of
from dashboard.exports.van_facts import find_van
from dashboard.questions import fleet, siblings, vans
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.warehouse import Warehouse
from dashboard.questions.within import Compared
from pipeline.errors import KinbayError, nearest


def find_reading(
    warehouse: Warehouse, parameter: str | None, state: str | None, channel: str = "level"
) -> Reading:
    """Return the reading of these keys; without a state, the one most vans are judged on.

    Raises
    ------
    KinbayError
        Where no van of the fleet has this reading; the nearest key is named.
    """
    known = fleet.list_readings(warehouse).sort("n_judged", descending=True)
    named = known.filter(pl.col("parameter") == parameter) if parameter else known
    if named.is_empty():
        hint = nearest(parameter or "", known["parameter"])
        raise KinbayError(
            f"No van of this fleet has a reading called {parameter!r}",
            remedy=f"Did you mean {hint}?" if hint else "Choose one of the readings listed by `kinbay van`.",
        )
    found = named.filter(pl.col("state") == state) if state else named
    if found.is_empty():
        raise KinbayError(
            f"{parameter} was never read in the state {state!r}",
            remedy=f"It was read in: {', '.join(named['state'].unique().sort())}.",
        )
    return Reading.from_row(found.row(0, named=True), channel)


def _build_row(warehouse: Warehouse) -> dict[str, Any]:
    return fleet.describe_build(warehouse).row(0, named=True)


def picture_siblings(
    warehouse: Warehouse,
    reading: Reading,
    van: str | None,
    filters: Filters,
    compared: Compared | None = None,
) -> tuple[Chart, Caption]:
    """Return the siblings chart for print and its caption.

    Parameters
    ----------
    compared : Compared, optional
        What the screen shows, to be drawn as it is; without it the shown vans are compared with all siblings.

    Raises
    ------
    KinbayError
        Where no shown van has the reading.
    """
    if compared is None:
        names = fleet.list_shown_vans(warehouse, filters)["van"].to_list()
        asked = (warehouse, reading.parameter, reading.state, reading.channel)
        ranges = siblings.list_cohort_ranges(*asked)
        compared = Compared(siblings.list_sibling_cells(*asked, names), ranges, is_within=False)
    cells = compared.cells
    if cells.is_empty():
        raise KinbayError(
            "No van that matches the filters has this reading", reading.title, "Widen the filters."
        )
    chart = draw_siblings(cells, compared.ranges, reading, van, PRINT)
    own = cells.filter(pl.col("van") == pl.lit(van))
    row = own.row(0, named=True) if van is not None and own.height else None
    caption = caption_of(
        _build_row(warehouse),
        title=f"{reading.title}: vans compared with {'each other, within the filter' if compared.is_within else 'their siblings'}",
        finding=f"{say_verdict(row, reading)} {say_evidence(row, reading)}" if row else say_outside(cells),
        filters=filters.describe(),
        n_vans=cells.height,
        n_scans=int(cells["n_scans"].sum()),
        key=f"{compared.label} {SIBLINGS_KEY}".strip(),
    )
    return chart, caption


def draw_own_group(warehouse: Warehouse, reading: Reading, van: str) -> Chart | None:
    """Draw a reading over the van's own group for print, the van marked; None where the van has no such reading."""
    everyone = fleet.list_shown_vans(warehouse, ALL_VANS)
    group = everyone.filter(pl.col("van") == pl.lit(van))["cohort_id"].to_list()
    names = everyone.filter(pl.col("cohort_id").is_in(group))["van"].to_list()
    asked = (warehouse, reading.parameter, reading.state, reading.channel)
    cells = siblings.list_sibling_cells(*asked, names)
    if van not in cells["van"]:
        return None
    return draw_siblings(cells, siblings.list_cohort_ranges(*asked), reading, van, PRINT)


def picture_van(warehouse: Warehouse, van: str, channel: str, state: str | None) -> tuple[Chart, Caption]:
    """Return the chart of all readings of one van for print and its caption."""
    facts = find_van(warehouse, van)
    cells = vans.list_van_cells(warehouse, van).filter(pl.col("channel") == channel)
    if state:
        cells = cells.filter(pl.col("state") == state)
    caption = caption_of(
        _build_row(warehouse),
        title=f"Van {van} against its siblings, all readings",
        finding=say_standing(cells.iter_rows(named=True)),
        filters=f"van {van}, {facts['cohort']}",
        n_vans=int(facts["n_siblings"] or 0) + 1,
        n_scans=int(facts["n_scans"] or 0),
        key=VAN_KEY,
    )
    return draw_van(van, cells, PRINT), caption


def picture_series(warehouse: Warehouse, van: str, reading: Reading) -> tuple[Chart, Caption]:
    """Return the chart of one van over time for print and its caption."""
    facts = find_van(warehouse, van)
    scans = vans.list_van_scan_values(warehouse, van, reading.parameter, reading.state)
    months = vans.list_sibling_months(warehouse, van, reading.parameter, reading.state)
    chart = draw_series(van, scans, months, vans.list_van_events(warehouse, van), reading, PRINT)
    caption = caption_of(
        _build_row(warehouse),
        title=f"{reading.title}: van {van} over time",
        finding="",
        filters=f"van {van}, {facts['cohort']}",
        n_vans=int(facts["n_siblings"] or 0) + 1,
        n_scans=scans.height,
        key=SERIES_KEY,
    )
    return chart, caption
