"""What is said of a reading against age, kilometres, date or another reading."""

from __future__ import annotations

import numpy as np
import polars as pl

from dashboard.charts.words import format_number
from pipeline.compare.association import Association, rank_correlation_within
from pipeline.counted import count_of

TOGETHER = {
    "age": "age",
    "odometer": "kilometres",
    "date": "the date of its last scans",
    "other": "the other reading",
}
CONFOUNDED = (
    "Age and model year go together: within one model year all vans are about as old, so age cannot be told from what"
    " the maker changed between years."
)


def associate(points: pl.DataFrame) -> Association:
    """Return how far the reading goes with x among vans of one make, model, engine and year; one point a van."""
    known = points.filter(pl.col("cohort_id").is_not_null())
    group = known["cohort_id"].rank("dense").cast(pl.Int64).to_numpy()
    return rank_correlation_within(known["x"].to_numpy(), known["y"].to_numpy(), group)


def say_association(found: Association, kind: str) -> str:
    """Say a rank correlation with its interval and n, and what it does not show."""
    what = TOGETHER[kind]
    if np.isnan(found.r):
        return (
            f"Too few vans to tell whether the reading goes with {what}: three or more of one model year are needed,"
            f" {count_of(found.n, 'van')} counted."
        )
    way = "rises" if found.r > 0 else "falls"
    sure = (
        f"the reading {way} with {what}"
        if found.low * found.high > 0
        else f"no clear link between the reading and {what}"
    )
    figures = (
        f"rank correlation {format_number(found.r, 2, signed=True)}, 95 % interval"
        f" {format_number(found.low, 2, signed=True)} to {format_number(found.high, 2, signed=True)},"
        f" {count_of(found.n, 'van')} in {count_of(found.n_groups, 'group')}"
    )
    return f"Among vans of one model year, {sure} ({figures}). Going together is no cause."
