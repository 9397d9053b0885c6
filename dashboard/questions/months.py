"""One month of the fleet: what was scanned, what was done."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl

from dashboard.questions import findings
from dashboard.questions.warehouse import Warehouse


def _ends(month: dt.date) -> dict[str, Any]:
    """First day of the month and of the next one."""
    after = (month.replace(day=28) + dt.timedelta(days=4)).replace(day=1)
    return {"month_from": month.replace(day=1), "month_to": after}


def _listed(vans: Sequence[str] | None) -> list[str] | None:
    """Vans as a query takes them; None stands for all, those too that no register names."""
    return None if vans is None else list(vans)


def list_months(warehouse: Warehouse) -> pl.DataFrame:
    """One row per month with any scan or work, newest first."""
    return warehouse.ask("list_months")


def describe_month(warehouse: Warehouse, month: dt.date, vans: Sequence[str] | None = None) -> pl.DataFrame:
    """One row: scans and vans of the month, work with its cost and standing days where recorded; of all vans or of `vans`."""
    return warehouse.ask("describe_month", **_ends(month), vans=_listed(vans))


def list_month_work(warehouse: Warehouse, month: dt.date, vans: Sequence[str] | None = None) -> pl.DataFrame:
    """One row per piece of work in the month, oldest first, with the verdicts on its readings counted."""
    return warehouse.ask("list_month_work", **_ends(month), vans=_listed(vans))


def list_month_unheld(
    warehouse: Warehouse, month: dt.date, vans: Sequence[str] | None = None
) -> pl.DataFrame:
    """One row per piece of work of the year before that did not hold and whose van was scanned in the month."""
    return warehouse.ask("list_month_unheld", month_from=month.replace(day=1), vans=_listed(vans))


def find_month_findings(warehouse: Warehouse, month: dt.date) -> pl.DataFrame:
    """One row per finding of the last build whose newest scan lay in the month: what was known then.

    A build that found nothing gives one row without a finding; no row where no such build is kept.
    """
    ends = _ends(month)
    newest = pl.col("data_to").cast(pl.Date)
    of_month = findings.list_kept_builds(warehouse).filter(
        (newest >= ends["month_from"]) & (newest < ends["month_to"])
    )
    return findings.list_build_findings(warehouse, of_month.sort("data_to", "built_at", descending=True))
