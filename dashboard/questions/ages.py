"""A reading against age, kilometres, date or another reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from dashboard.questions.warehouse import Warehouse

AGAINST = ("age", "odometer", "date", "other")
DOTS = ("van", "scan")


@dataclass(frozen=True)
class Against:
    """What a reading is held against.

    Parameters
    ----------
    kind : str
        One of `AGAINST`.
    parameter, state : str
        The second reading, for kind other; else empty.
    """

    kind: str = "age"
    parameter: str = ""
    state: str = ""


def list_age_points(
    warehouse: Warehouse, parameter: str, state: str, against: Against, dots: str, vans: Sequence[str]
) -> pl.DataFrame:
    """One row per shown van, or per scan, with x, y and the bin it falls into with its smoothed middle and band."""
    return warehouse.ask(
        "list_age_points",
        parameter=parameter,
        state=state,
        against=against.kind,
        other_parameter=against.parameter,
        other_state=against.state,
        dots=dots,
        vans=list(vans),
    )
