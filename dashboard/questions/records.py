"""What was taken in, what was refused, what contradicts itself, what is missing."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.warehouse import Warehouse
from pipeline.settings import STALE_DAYS


def list_coverage(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per shown van: how well it has been scanned, the longest unseen first."""
    return warehouse.ask("list_coverage", vans=list(vans), stale_days=STALE_DAYS)


def list_scans(warehouse: Warehouse, vans: Sequence[str], filters: Filters = ALL_VANS) -> pl.DataFrame:
    """One row per scan of the shown vans by the chosen readers and days, newest first."""
    chosen = filters.parameters()
    asked = {name: chosen[name] for name in ("readers", "date_from", "date_to")}
    return warehouse.ask("list_scans", vans=list(vans), **asked)


def list_rejects(warehouse: Warehouse) -> pl.DataFrame:
    """One row per refused row, with the reason and the remedy, newest file first."""
    return warehouse.ask("list_rejects")


def list_conflicts(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per pair of records of the shown vans that contradict each other, newest first."""
    return warehouse.ask("list_conflicts", vans=list(vans))


def list_files(warehouse: Warehouse) -> pl.DataFrame:
    """One row per loaded file and table, newest first."""
    return warehouse.ask("list_files")


def list_entry_choices(warehouse: Warehouse) -> pl.DataFrame:
    """One row per reader and module that this fleet's scans name: `kind`, `choice`, `n_scans`."""
    return warehouse.ask("list_entry_choices")


def list_reader_readings(warehouse: Warehouse) -> pl.DataFrame:
    """One row per reader and reading that it gives, with the state it is most often read in."""
    return warehouse.ask("list_reader_readings")


def list_last_seen(warehouse: Warehouse, vans: Sequence[str], recent_days: int) -> pl.DataFrame:
    """One row per shown van and operating state or module: days since last seen, siblings seen of late."""
    return warehouse.ask("list_last_seen", vans=list(vans), recent_days=recent_days)


def list_unknown_vans(warehouse: Warehouse) -> pl.DataFrame:
    """One row per name in scans, work or notes that is no van of the register, the most used first."""
    return warehouse.ask("list_unknown_vans")
