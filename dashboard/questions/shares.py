"""Where the differences of each reading come from."""

from __future__ import annotations

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_variance_shares(warehouse: Warehouse) -> pl.DataFrame:
    """One row per reading and part (model_year, van, reader, exposure, rest) with its share and interval.

    Always over the whole fleet: a part of the vans has other shares, and too few vans to tell them.
    """
    return warehouse.ask("list_variance_shares")
