"""Readers whose software update moved a reading: judged, taken off before anything else, and told as theirs."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from statsmodels.formula.api import ols

from pipeline.build import reader_evidence, reader_updates
from pipeline.build.codes import encode
from pipeline.build.levels import Levels
from pipeline.findings import readers
from pipeline.findings.records import Finding
from pipeline.settings import Settings

BENCH, YARD = datetime(2026, 2, 1), datetime(2025, 12, 10)  # days on which the two readers were updated
UPDATE: dict[str, Any] = {
    "reader": "Bench", "reader_version": "3.2", "version_before": "3.1", "since": datetime(2026, 2, 3),
    "parameter": "coolant_temp", "state": "warm_idle", "unit": "°C", "step": -3.0, "low": -4.0, "high": -2.0, "p": 1e-6,
    "q": 1e-4, "n_vans": 12, "n_vans_other": 20, "smallest_useful": 2.0, "reason": None, "is_shown": True,
    "tier": "finding", "explained": (),
}  # fmt: skip


def read_fleet(step: float, seed: int = 1, vans: int = 30, parameter: str = "oil_temp") -> pl.DataFrame:
    """Thirty vans read every 15 days by Bench and Yard in turn; Bench's update adds `step`, Yard's nothing."""
    rng = np.random.default_rng(seed)
    level = 90 + 1.5 * rng.standard_normal(vans)
    rows = []
    for van in range(vans):
        for n in range(24):
            at = datetime(2025, 9, 1) + timedelta(days=15 * n + int(rng.integers(0, 9)))
            reader = "Bench" if (n + van) % 2 else "Yard"
            version = {"Bench": "3.2" if at >= BENCH else "3.1", "Yard": "12" if at >= YARD else "11"}[reader]
            value = level[van] + rng.standard_normal() + step * (version == "3.2")
            month = 12 * at.year + at.month - 1
            rows.append((str(van), "all", reader, version, at, month, parameter, "warm_idle", value))
    names = [
        "van",
        "family_id",
        "reader",
        "reader_version",
        "scanned_at",
        "month",
        "parameter",
        "state",
        "value",
    ]
    return pl.DataFrame(rows, schema=names, orient="row")


def as_levels(rows: pl.DataFrame) -> Levels:
    """Rows of `read_fleet` as the build reads them; here every row is a scan of its own."""
    in_order = rows.sort("scanned_at")
    measure, measures = encode(in_order, ["parameter", "state"])
    return Levels(in_order, measures, np.arange(len(in_order)), measure, in_order["value"].to_numpy())


def judged_of(rows: pl.DataFrame) -> pl.DataFrame:
    return reader_updates.judge(as_levels(rows), Settings())


def test_a_step_is_that_of_a_second_implementation() -> None:
    """statsmodels' least squares with dummies for van, month and software, scans of one month averaged."""
    scans = read_fleet(0.7)
    told = judged_of(scans).filter(pl.col("reader") == "Bench").row(0, named=True)
    visits = scans.group_by("van", "month", "reader", "reader_version").agg(pl.col("value").mean())
    found = ols("value ~ C(van) + C(month) + C(reader_version)", visits.to_pandas()).fit()
    assert told["step"] == pytest.approx(
        found.t_test("C(reader_version)[T.3.2] - C(reader_version)[T.3.1] = 0").effect.item()
    )
    assert (told["n_vans"], told["n_vans_other"]) == (30, 30)
    assert told["low"] < 0.7 < told["high"]


def test_an_update_next_to_it_in_time_is_not_taken_for_one_that_moved_anything() -> None:
    judged = judged_of(read_fleet(4.0))
    assert dict(judged.select("reader", "is_shown").iter_rows()) == {"Bench": True, "Yard": False}
    shifts = reader_updates.shifts_of(as_levels(read_fleet(4.0)), judged)
    assert set(np.round(shifts, 6)) == {0.0, round(judged.filter(reader="Bench")["step"][0], 6)}


def test_an_update_that_moved_nothing_is_seldom_shown() -> None:
    """Forty quiet updates on forty readings, each a matter of its own: the expected false share is 5 %."""
    quiet = pl.concat([read_fleet(0.0, seed, parameter=f"reading_{seed}") for seed in range(20)])
    judged = judged_of(quiet)
    assert judged.height == 40
    assert judged["is_shown"].sum() == 0
    assert 8 < judged.filter(pl.col("p") < 0.5).height < 32  # of 40, 20 by chance


def test_a_reader_alone_is_not_judged() -> None:
    judged = judged_of(read_fleet(4.0).filter(reader="Bench"))
    assert judged["reason"].to_list() == [reader_updates.TOO_FEW]
    assert judged["shift"].to_list() == [0.0]


def test_without_named_software_there_is_nothing_to_judge() -> None:
    nameless = read_fleet(4.0).with_columns(reader_version=pl.lit(None, pl.String))
    judged = judged_of(nameless)
    assert judged.is_empty()
    assert not reader_updates.shifts_of(as_levels(nameless), judged).any()


def test_an_update_that_moved_a_reading_is_the_readers_matter() -> None:
    rows = [UPDATE, UPDATE | {"state": "hot_idle", "q": 1e-3, "p": 1e-5}, UPDATE | {"parameter": "fuel_temp"}]
    found, other = readers.find([], rows)
    assert (found.kind, found.reader, found.van, found.level) == ("reader_bias", "Bench", None, "3.2")
    assert found.against == "own_past"
    assert "went from 3.1 to 3.2 in February 2026" in found.claim
    assert "3 °C lower" in found.claim or "3.0 °C lower" in found.claim
    assert "12 vans read before and after, against 20 vans" in found.claim
    assert found.also == ({"parameter": "coolant_temp", "state": "hot_idle", "difference": -3.0},)
    assert other.parameter == "fuel_temp"
    bias = Finding("reader_bias", "finding", "", reader="Bench", parameter="coolant_temp")
    assert found.finding_id != bias.finding_id


BIAS: dict[str, Any] = {
    "reader": "Yard",
    "reference": "Bench",
    "parameter": "coolant_temp",
    "state": "cold_idle",
}


@pytest.mark.parametrize(
    ("bias", "is_explained"),
    [
        (BIAS | {"estimate": 2.0}, True),  # Bench reads lower since its update, so Yard seems to read higher
        (BIAS | {"reader": "Bench", "reference": "Yard", "estimate": -2.0}, True),
        (BIAS | {"estimate": -2.0}, False),  # the other way
        (BIAS | {"estimate": 2.0, "state": "warm_idle"}, False),  # there the step was taken off already
        (BIAS | {"estimate": 2.0, "parameter": "fuel_temp"}, False),
        (BIAS | {"estimate": 2.0, "reference": "Old"}, False),
    ],
)
def test_an_update_accounts_for_a_bias_where_it_could_not_be_judged(
    bias: dict[str, Any], is_explained: bool
) -> None:
    standing, (update,) = reader_evidence.explain([bias], [UPDATE])
    assert (standing == []) is is_explained
    assert [e["step"] for e in update["explained"]] == ([-2.0] if is_explained else [])
