"""Questions about the fleet as a whole: the build, its vans, what can be chosen."""

from __future__ import annotations

import polars as pl

from dashboard.questions.filters import Filters
from dashboard.questions.warehouse import Warehouse


def describe_build(warehouse: Warehouse) -> pl.DataFrame:
    """One row: the build, how much it holds and how many flags chance alone would give."""
    return warehouse.ask("describe_build")


def list_filter_choices(warehouse: Warehouse) -> pl.DataFrame:
    """One row per value a person may filter by: `filter`, `choice`, `n_vans`."""
    return warehouse.ask("list_filter_choices")


def describe_ranges(warehouse: Warehouse) -> pl.DataFrame:
    """One row: the youngest, oldest, least and most driven van."""
    return warehouse.ask("describe_ranges")


def list_shown_vans(warehouse: Warehouse, filters: Filters) -> pl.DataFrame:
    """One row per van the filters let through, by cohort and name."""
    return warehouse.ask("list_shown_vans", **filters.parameters())


def list_readings(warehouse: Warehouse) -> pl.DataFrame:
    """One row per reading (parameter and state) that any van was compared on, by name."""
    return warehouse.ask("list_readings")


def list_terms(warehouse: Warehouse) -> pl.DataFrame:
    """One row per reading of the vocabulary that this fleet has, with its meanings."""
    return warehouse.ask("list_terms")


def list_cautions(warehouse: Warehouse) -> pl.DataFrame:
    """One row per caution line, with the readings it goes with."""
    return warehouse.ask("list_cautions")
