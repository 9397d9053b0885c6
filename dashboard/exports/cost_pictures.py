"""The chart of costs for print, with its caption."""

from __future__ import annotations

import polars as pl

from dashboard.charts.costs import draw_costs, say_cost, say_days, say_dearest
from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.exports.picture import Caption, caption_of
from dashboard.questions import costs, fleet
from dashboard.questions.filters import Filters
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError

COSTS_KEY = (
    "Each row is one van. Mark: cost written down per 10,000 km. Shaded: from the cheapest to the dearest sibling;"
    " line: their median. Only entries with a cost between the first and the last odometer count; what was never"
    " written down is not in it. In any group one van is the dearest: look at how far, and at how many entries."
)
COSTS_CAVEAT = "Cost alone says nothing of what the van earns or what another would cost. Figures are those written down."


def picture_costs(warehouse: Warehouse, filters: Filters, van: str | None) -> tuple[Chart, Caption]:
    """Return the chart of costs for print and its caption.

    Raises
    ------
    KinbayError
        Where no shown van has a cost per 10,000 km.
    """
    names = fleet.list_shown_vans(warehouse, filters)["van"].to_list()
    rows = costs.list_van_costs(warehouse, names)
    known = rows.filter(pl.col("cost_per_10000_km").is_not_null())
    if known.is_empty():
        raise KinbayError(
            "No van shown has a cost per 10,000 km",
            remedy="Write the cost beside the work, and read the odometer at two scans at least.",
        )
    own = rows.filter(pl.col("van") == pl.lit(van)) if van is not None else rows.head(0)
    finding = say_dearest(known.to_dicts())
    if own.height:
        row = own.row(0, named=True)
        finding = f"{say_cost(row)} {say_days(row)}"
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title="Keep or retire: cost per 10,000 km beside the siblings",
        finding=finding,
        filters=filters.describe(),
        n_vans=known.height,
        n_scans=int(known["n_scans"].sum()),
        key=f"{int(known['n_costed_driven'].sum())} entries with a cost. {COSTS_KEY}",
    )
    return draw_costs(known, van, PRINT), caption
