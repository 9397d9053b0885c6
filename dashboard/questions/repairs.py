"""Work on vans: whether it held, and which work ended which code."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_repairs(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per piece of work on the shown vans, newest first, with its strongest verdict."""
    return warehouse.ask("list_repairs", vans=list(vans))


def list_repair_readings(
    warehouse: Warehouse, van: str, worked_at: datetime, what: str, part: str | None
) -> pl.DataFrame:
    """One row per reading that a piece of work touches, with its evidence, the strongest verdict first."""
    return warehouse.ask("list_repair_readings", van=van, worked_at=worked_at, what=what, part=part)


def list_repair_codes(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per kind of work and code tried on a shown van; counts are those of the whole fleet."""
    return warehouse.ask("list_repair_codes", vans=list(vans))


def list_work_codes(warehouse: Warehouse, van: str, worked_at: datetime, what: str) -> pl.DataFrame:
    """One row per code that stood when a piece of work was done, with what became of it."""
    return warehouse.ask("list_work_codes", van=van, worked_at=worked_at, what=what)
