"""What stands out, best first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_findings(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per finding about one of `vans`, their groups, or readers and habits of the whole fleet.

    `rivals` and `cautions` come as lists of text; a caution given by its id comes as its text.
    """
    return warehouse.ask("list_findings", vans=list(vans))


def describe_finding(warehouse: Warehouse, finding_id: str) -> pl.DataFrame:
    """One row: the finding of this id with its group; no row where the build has none."""
    return warehouse.ask("describe_finding", finding_id=finding_id)


def list_dossier_vans(warehouse: Warehouse, finding: dict[str, Any]) -> pl.DataFrame:
    """One row per van of the finding's group: mileage, scans, and how it stands in the code or reading."""
    keys = ("make", "model", "engine", "model_year", "code", "module", "parameter", "state")
    return warehouse.ask("list_dossier_vans", **{key: finding[key] for key in keys})


def find_past_findings(warehouse: Warehouse, days: int) -> pl.DataFrame:
    """One row per finding of an earlier build, `days` older than this one at least; none where there is no such.

    Of the builds old enough the newest that held other data is taken, else the newest. A build that found nothing
    gives one row without a finding.
    """
    is_earlier = ~pl.col("is_this") & (pl.col("built_at") <= pl.col("this_built_at") - pl.duration(days=days))
    holds_other = pl.col("data_to").ne_missing(pl.col("this_data_to"))
    earlier = list_kept_builds(warehouse).filter(is_earlier)
    return list_build_findings(warehouse, earlier.sort([holds_other, "built_at"], descending=True))


def list_kept_builds(warehouse: Warehouse) -> pl.DataFrame:
    """One row per build whose findings are kept, newest first."""
    return warehouse.ask("list_kept_builds")


def list_build_findings(warehouse: Warehouse, builds: pl.DataFrame) -> pl.DataFrame:
    """One row per finding of the first of these builds as it was told then; no row where there is no build."""
    return warehouse.ask("list_build_findings", build_id=builds["build_id"][0] if builds.height else None)


def list_matter_history(warehouse: Warehouse, finding: str) -> pl.DataFrame:
    """One row per earlier build that named this matter, oldest first."""
    return warehouse.ask("list_matter_history", finding=finding)
