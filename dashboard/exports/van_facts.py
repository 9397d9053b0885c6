"""What is known of one van before anything is written about it: its entry, its matters, the build they come from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.charts.words import clean_text, format_number
from dashboard.questions import findings, fleet, vans
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse
from pipeline.counted import count_of
from pipeline.errors import KinbayError, nearest


@dataclass(frozen=True)
class Known:
    """One van as a sheet about it starts.

    Parameters
    ----------
    facts : dict
        Its row of `describe_van`.
    build : dict
        The row of `describe_build`.
    cells : polars.DataFrame
        Its rows of `list_van_cells`.
    matters : list of dict
        Its findings and what is likely, best first, as rows of `list_findings`.
    """

    facts: dict[str, Any]
    build: dict[str, Any]
    cells: pl.DataFrame
    matters: list[dict[str, Any]]

    @property
    def origin(self) -> str:
        """Data date and build."""
        return f"Data to {self.build['data_to']:%d %b %Y}, build {self.build['build_id']}."

    @property
    def is_alone(self) -> bool:
        """Whether no other van of the fleet is like it, so that no reading could be judged."""
        return not self.facts["n_siblings"] and not (self.cells["verdict"] != "not_judged").any()


def know_van(warehouse: Warehouse, van: str) -> Known:
    """Gather what every sheet about a van starts from.

    Raises
    ------
    KinbayError
        Where there is no such van.
    """
    facts = find_van(warehouse, van)
    own = findings.list_findings(warehouse, [van]).filter(
        (pl.col("van") == pl.lit(van)) & pl.col("tier").is_in(["finding", "likely"])
    )
    build = fleet.describe_build(warehouse).row(0, named=True)
    return Known(facts, build, vans.list_van_cells(warehouse, van), own.to_dicts())


def find_van(warehouse: Warehouse, van: str) -> dict[str, Any]:
    """Return the van's register entry.

    Raises
    ------
    KinbayError
        Where there is no such van; the nearest name is given.
    """
    found = vans.describe_van(warehouse, van)
    if found.is_empty():
        names = fleet.list_shown_vans(warehouse, ALL_VANS)["van"].to_list()
        hint = nearest(van, names)
        raise KinbayError(
            f"There is no van called {clean_text(van)!r}",
            remedy=f"Did you mean {clean_text(hint)}?" if hint else "Name it as in the register.",
        )
    return found.row(0, named=True)


def describe_facts(facts: dict[str, Any]) -> str:
    """Say what the van is and how well it is known, in one line."""
    parts = [clean_text(facts["cohort"]), clean_text(facts["depot"])]
    if facts["age_years"] is not None:
        parts.append(f"{facts['age_years']:.1f} years")
    if facts["odometer_km"] is not None:
        parts.append(f"{format_number(facts['odometer_km'], 0)} km")
    parts.append(count_of(facts["n_scans"], "scan"))
    if facts["last_scan_at"] is not None:
        parts.append(f"last {facts['last_scan_at']:%d %b %Y}")
    parts.append(count_of(facts["n_siblings"], "sibling"))
    return " · ".join(part for part in parts if part)


def say_alone(known: Known) -> str:
    """Say why nothing of a van without siblings is judged; empty for any other van."""
    if not known.is_alone:
        return ""
    return (
        "No other van of this fleet is of its make, model, engine and model year, so no reading can be judged."
        " That is no proof that all is well."
    )


def say_code(row: dict[str, Any]) -> str:
    """Name a code of a van with its control unit and meaning; a maker's own code may have none."""
    meaning = clean_text(row["title"]) or "meaning not known"
    return f"{clean_text(row['code'])} ({clean_text(row['module'])}) {meaning}"
