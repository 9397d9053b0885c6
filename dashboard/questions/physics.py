"""What was read beside what physics or the control unit itself expects."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_expected_vans(warehouse: Warehouse, parameter: str, state: str, vans: Sequence[str]) -> pl.DataFrame:
    """One row per van of the groups with a shown van: read, expected, departure; none where physics is silent."""
    return warehouse.ask("list_expected_vans", parameter=parameter, state=state, vans=list(vans))


def list_cohort_limits(warehouse: Warehouse, parameter: str, state: str, vans: Sequence[str]) -> pl.DataFrame:
    """One row per limit of a reader and group with a shown van, the most overrun first."""
    return warehouse.ask("list_cohort_limits", parameter=parameter, state=state, vans=list(vans))


def list_van_expectations(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per reading of the van that physics expects something of, the implausible first."""
    return warehouse.ask("list_van_expectations", van=van)
