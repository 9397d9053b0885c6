"""What vans cost and how long they stood."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_van_costs(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per shown van: cost and days standing per 10,000 km beside its siblings, dearest first."""
    return warehouse.ask("list_van_costs", vans=list(vans))


def list_van_cost_years(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per calendar year of one van."""
    return warehouse.ask("list_van_cost_years", van=van)


def list_van_cost_entries(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per entry of one van's work list within the time counted, newest first."""
    return warehouse.ask("list_van_cost_entries", van=van)
