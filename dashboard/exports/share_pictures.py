"""The chart of where differences come from for print, with its caption."""

from __future__ import annotations

import polars as pl

from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.shares import draw_shares, say_shares
from dashboard.exports.picture import Caption, caption_of
from dashboard.questions import fleet
from dashboard.questions.shares import list_variance_shares
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError

SHARES_KEY = (
    "Each bar is one reading: the squares of its differences within a model over the last year, season taken off, shared"
    " out. Van: vans of one model year that stay apart. Reader: the same vans read with another reader. Scan to scan:"
    " the rest, which no van, year or reader explains. Pieces stand in the order of the legend; the reader's share is"
    " written at the right as well, a dash where it cannot be told. On top the readings in which vans differ most."
)


def picture_shares(warehouse: Warehouse, state: str) -> tuple[Chart, Caption]:
    """Return the chart of one state for print and its caption.

    Raises
    ------
    KinbayError
        Where nothing is known of this state.
    """
    every = list_variance_shares(warehouse)
    rows = every.filter(pl.col("state") == state)
    if rows.is_empty():
        known = ", ".join(every["state"].unique().sort())
        remedy = (
            f"Choose one of {known}."
            if known
            else "It takes several vans of a model, scanned more than once."
        )
        raise KinbayError("No reading of this state has been shared out", state, remedy)
    name = str(rows["state_name"][0] or state)
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title=f"Where differences come from, {name}",
        finding=say_shares(rows),
        filters="all vans",
        n_vans=int(rows["n_vans"].max() or 0),  # type: ignore[arg-type]
        n_scans=int(rows["n_scans"].max() or 0),  # type: ignore[arg-type]
        key=SHARES_KEY,
    )
    return draw_shares(rows, name, PRINT), caption
