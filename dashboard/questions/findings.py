"""What stands out, best first."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_findings(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per finding about one of `vans`, their groups, or readers and habits of the whole fleet.

    `rivals` and `cautions` come as lists of text; a caution given by its id comes as its text.
    """
    return warehouse.ask("list_findings", vans=list(vans))
