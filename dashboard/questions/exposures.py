"""What vans are exposed to, such as parking and fittings, and which readings and codes go with it."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_exposure_effects(warehouse: Warehouse) -> pl.DataFrame:
    """One row per exposure level and reading that was tested, the surest first; the whole fleet."""
    return warehouse.ask("list_exposure_effects")


def list_exposure_overlaps(warehouse: Warehouse, attribute: str, level: str) -> pl.DataFrame:
    """One row per thing that differs along with the level: another exposure, mileage, age."""
    return warehouse.ask("list_exposure_overlaps", attribute=attribute, level=level)


def list_exposure_vans(
    warehouse: Warehouse,
    attribute: str,
    levels: tuple[str, str],
    parameter: str,
    state: str,
    vans: Sequence[str],
) -> pl.DataFrame:
    """One row per shown van and side: its mean in the reading while the level, or the other, held.

    Only groups that hold both levels, the whole fleet counted.
    """
    level, other = levels
    return warehouse.ask(
        "list_exposure_vans",
        attribute=attribute,
        level=level,
        other_level=other,
        parameter=parameter,
        state=state,
        vans=list(vans),
    )


def list_exposure_changes(warehouse: Warehouse, attribute: str, vans: Sequence[str]) -> pl.DataFrame:
    """One row per dated change of the exposure on a shown van, newest first."""
    return warehouse.ask("list_exposure_changes", attribute=attribute, vans=list(vans))


def list_exposure_codes(warehouse: Warehouse, attribute: str) -> pl.DataFrame:
    """One row per code tested against the exposure, strongest first."""
    return warehouse.ask("list_exposure_codes", attribute=attribute)
