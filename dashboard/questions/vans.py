"""One van: what it is, all its readings, its codes, its history."""

from __future__ import annotations

import polars as pl

from dashboard.questions.warehouse import Warehouse


def describe_van(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row: the van's register entry and how well it is covered; no row where there is no such van."""
    return warehouse.ask("describe_van", van=van)


def list_van_cells(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per reading and channel of the van, those standing out first."""
    return warehouse.ask("list_van_cells", van=van)


def list_drift_months(warehouse: Warehouse, van: str, parameter: str, state: str) -> pl.DataFrame:
    """One row per month of one van in one reading: its mean difference from its siblings."""
    return warehouse.ask("list_drift_months", van=van, parameter=parameter, state=state)


def list_van_drifts(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per reading of the van that has siblings to be followed against, drifts first."""
    return warehouse.ask("list_van_drifts", van=van)


def list_van_scan_values(warehouse: Warehouse, van: str, parameter: str, state: str) -> pl.DataFrame:
    """One row per scan of the van that has this reading, in order of time."""
    return warehouse.ask("list_van_scan_values", van=van, parameter=parameter, state=state)


def list_sibling_months(warehouse: Warehouse, van: str, parameter: str, state: str) -> pl.DataFrame:
    """One row per month: the middle 90 % and the median of the siblings' scans, the van left out."""
    return warehouse.ask("list_sibling_months", van=van, parameter=parameter, state=state)


def list_van_codes(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per code the van has shown, with the scans that showed it, newest first."""
    return warehouse.ask("list_van_codes", van=van)


def list_van_events(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per work entry or note of the van, newest first."""
    return warehouse.ask("list_van_events", van=van)


def list_van_exposures(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per exposure of the van, present ones first."""
    return warehouse.ask("list_van_exposures", van=van)


def list_van_code_scans(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per scan of the van and code it ever showed: what the scan says about the code."""
    return warehouse.ask("list_van_code_scans", van=van)


def list_van_clears(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per time the van's codes were cleared, as the work record has it."""
    return warehouse.ask("list_van_clears", van=van)
