"""Codes over vans, groups and time: how common, how steady, what they go with."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_codes(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per code (and module) that a shown van has shown, those that stand out first."""
    return warehouse.ask("list_codes", vans=list(vans))


def list_code_cohorts(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per code and group with a shown van: the share of the whole group that has it, with its interval."""
    return warehouse.ask("list_code_cohorts", vans=list(vans))


def list_code_vans(warehouse: Warehouse, module: str, code: str, vans: Sequence[str]) -> pl.DataFrame:
    """One row per shown van that the code concerns: with, without or unknown, and how steadily."""
    return warehouse.ask("list_code_vans", module=module, code=code, vans=list(vans))


def list_code_scans(warehouse: Warehouse, module: str, code: str, vans: Sequence[str]) -> pl.DataFrame:
    """One row per scan of the shown vans that ever showed the code: present, absent, not answered or unknown."""
    return warehouse.ask("list_code_scans", module=module, code=code, vans=list(vans))


def list_code_clears(warehouse: Warehouse, module: str, code: str, vans: Sequence[str]) -> pl.DataFrame:
    """One row per clearing on the shown vans that ever showed the code."""
    return warehouse.ask("list_code_clears", module=module, code=code, vans=list(vans))


def list_code_returns(warehouse: Warehouse, module: str, code: str) -> pl.DataFrame:
    """One row per van on which it was cleared: days and km to its return, or how long it was watched without."""
    return warehouse.ask("list_code_returns", module=module, code=code)


def list_code_fellows(warehouse: Warehouse, module: str, code: str) -> pl.DataFrame:
    """One row per code that stands on the same scans."""
    return warehouse.ask("list_code_fellows", module=module, code=code)


def list_code_exposures(warehouse: Warehouse, module: str, code: str) -> pl.DataFrame:
    """One row per exposure and model year it was tested against, strongest first."""
    return warehouse.ask("list_code_exposures", module=module, code=code)


def list_code_endings(warehouse: Warehouse, module: str, code: str) -> pl.DataFrame:
    """One row per kind of work after which it was gone."""
    return warehouse.ask("list_code_endings", module=module, code=code)


def list_code_frames(warehouse: Warehouse, module: str, code: str) -> pl.DataFrame:
    """One row per operating state and reading of its freeze frames over the fleet, state `any` for all frames."""
    return warehouse.ask("list_code_frames", module=module, code=code)


def list_van_frames(warehouse: Warehouse, van: str) -> pl.DataFrame:
    """One row per code and reading of the van's newest freeze frames."""
    return warehouse.ask("list_van_frames", van=van)


def list_code_failure_types(
    warehouse: Warehouse, module: str, code: str, vans: Sequence[str]
) -> pl.DataFrame:
    """One row per failure type the shown vans have shown with it, commonest first."""
    return warehouse.ask("list_code_failure_types", module=module, code=code, vans=list(vans))


def list_code_lamps(warehouse: Warehouse, module: str, code: str, vans: Sequence[str]) -> pl.DataFrame:
    """One row: sightings and vans whose reader says whether it lit the lamp, and those on which it did."""
    return warehouse.ask("list_code_lamps", module=module, code=code, vans=list(vans))


def list_low_voltage_evidence(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per scan of a shown van and rule of evidence for low supply voltage that holds."""
    return warehouse.ask("list_low_voltage_evidence", vans=list(vans))


def list_code_readers(warehouse: Warehouse) -> pl.DataFrame:
    """One row per code and pair of readers that read one van within a day, those that disagree first."""
    return warehouse.ask("list_code_readers")


def list_maker_numbers(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per maker's number without a text: vans, what it travels most with, what most often ended it."""
    return warehouse.ask("list_maker_numbers", vans=list(vans))
