"""One reading across siblings."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_sibling_cells(
    warehouse: Warehouse, parameter: str, state: str, channel: str, vans: Sequence[str]
) -> pl.DataFrame:
    """One row per shown van that has this reading, with its own sibling range and verdict.

    `channel` is level or change; the range of a van is that of its siblings, itself left out.
    """
    return warehouse.ask(
        "list_sibling_cells", parameter=parameter, state=state, channel=channel, vans=list(vans)
    )


def list_unseen_cells(
    warehouse: Warehouse, parameter: str, state: str, channel: str, vans: Sequence[str]
) -> pl.DataFrame:
    """One row per shown van not judged in this reading because its readers do not decode it."""
    return warehouse.ask(
        "list_unseen_cells", parameter=parameter, state=state, channel=channel, vans=list(vans)
    )


def list_cohort_ranges(warehouse: Warehouse, parameter: str, state: str, channel: str) -> pl.DataFrame:
    """One row per cohort: the middle of its vans' sibling ranges, whoever is shown."""
    return warehouse.ask("list_cohort_ranges", parameter=parameter, state=state, channel=channel)


def list_sparklines(warehouse: Warehouse, parameter: str, state: str, vans: Sequence[str]) -> pl.DataFrame:
    """One row per van: its scan values of the last year in order of time, 30 at most."""
    return warehouse.ask("list_sparklines", parameter=parameter, state=state, vans=list(vans))


def list_reader_limits(warehouse: Warehouse, parameter: str, state: str, van: str) -> pl.DataFrame:
    """One row per limit that readers claim for this reading on the van's cohort, with vans outside it."""
    return warehouse.ask("list_reader_limits", parameter=parameter, state=state, van=van)
