"""The bench reader's files: tidy scans, readings and codes, half a year each, limits printed beside idle rows."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import polars as pl

from demo_warehouse.observations import Observations
from demo_warehouse.scenario import Scenario
from demo_warehouse.story import Limit

PERIODS = ("2025-04-01", "2025-10-01", "2026-04-01", "2027-01-01")


def _limits(scenario: Scenario) -> pl.DataFrame:
    """Return the limits printed for each van and parameter: cohort before model before all."""
    rows = []
    for cohort in scenario.cohorts:
        best: dict[str, Limit] = {}
        for limit in sorted(scenario.limits, key=lambda one: (one.cohort is not None, one.model is not None)):
            if limit.cohort in (None, cohort.key) and limit.model in (None, cohort.model):
                best[limit.parameter] = limit
        rows += [
            {"van": van, "parameter": p, "low": float(best[p].low), "high": float(best[p].high)}
            for van in cohort.vans
            for p in best
        ]
    return pl.DataFrame(rows)


def _as_written(column: str, decimals: pl.Expr) -> pl.Expr:
    """Return a number as text: whole numbers without a point, others at their shortest."""
    whole = pl.col(column).cast(pl.Int64).cast(pl.String)
    return pl.when(decimals == 0).then(whole).otherwise(pl.col(column).cast(pl.String))


def make_bench_scans(scenario: Scenario, seen: Observations, modules: pl.DataFrame) -> pl.DataFrame:
    """Return the tidy scans of the bench reader."""
    mine = seen.scans.filter(pl.col("reader") == "bench").join(modules, on="scan", maintain_order="left")
    return mine.sort("local_at", "scan_id").select(
        "scan",
        "local_at",
        "scan_id",
        "van",
        pl.lit(scenario.readers["bench"].name).alias("reader"),
        "reader_version",
        pl.col("local_at").dt.strftime("%Y-%m-%dT%H:%M:%S").alias("scanned_at"),
        pl.col("odometer_km").cast(pl.Int64),
        "ambient_c",
        "rest_v",
        pl.col("standing_days").cast(pl.Int64),
        "modules",
        "modules_silent",
        "operator",
    )


def make_bench_readings(scenario: Scenario, seen: Observations) -> pl.DataFrame:
    """Return the tidy readings of the bench reader: canonical keys and units."""
    units = {key: spec.unit for key, spec in scenario.parameters.items()}
    units |= {"vehicle_speed": "km/h", "pedal_position": "%", "run_time": "s"}
    decimals = {key: spec.decimals for key, spec in scenario.parameters.items()} | {"pedal_position": 1}
    keys = list(units)
    writing = pl.DataFrame(
        {"parameter": keys, "unit": [units[k] for k in keys], "decimals": [decimals.get(k, 0) for k in keys]}
    )
    idle = (pl.col("state") == "warm_idle") & ~pl.col("is_cold")
    names = seen.scans.select("scan", "scan_id", "van")
    return (
        seen.readings.filter(pl.col("reader") == "bench")
        .join(names, on="scan", maintain_order="left")
        .join(writing, on="parameter", maintain_order="left")
        .join(_limits(scenario), on=["van", "parameter"], how="left", maintain_order="left")
        .select(
            "scan",
            "local_at",
            "scan_id",
            pl.col("local_at").dt.strftime("%Y-%m-%dT%H:%M:%S").alias("at"),
            "parameter",
            _as_written("value", pl.col("decimals")).alias("value"),
            "unit",
            pl.when(idle).then("low").alias("low"),
            pl.when(idle).then("high").alias("high"),
        )
        .sort("local_at", "scan_id", maintain_order=True)
    )


def make_bench_codes(seen: Observations, codes: pl.DataFrame) -> pl.DataFrame:
    """Return the tidy codes of the bench reader with the freeze frame beside each."""
    mine = seen.scans.filter(pl.col("reader") == "bench").select("scan", "scan_id", "local_at", "odometer_km")
    return (
        codes.join(mine, on="scan", maintain_order="left")
        .select(
            "scan",
            "local_at",
            "scan_id",
            "module",
            "code",
            "status",
            "lamp",
            "text",
            pl.when(pl.col("ff_engine_speed") == 0).then("odometer_km").cast(pl.Int64).alias("first_seen_km"),
            "ff_engine_speed",
            "ff_supply_voltage",
        )
        .sort("local_at", "module", "code")
    )


def cut_periods(table: pl.DataFrame, spans: tuple[str, ...] = PERIODS) -> Iterator[tuple[str, pl.DataFrame]]:
    """Cut a table into spans of local time, and drop the columns that were only for the cutting."""
    for low, high in pairwise(spans):
        day = pl.col("local_at").dt.strftime("%Y-%m-%d")
        yield low[:7], table.filter((day >= low) & (day < high)).drop("scan", "local_at")


def make_conflicting_copy(
    scenario: Scenario, seen: Observations, readings: pl.DataFrame
) -> tuple[pl.DataFrame, str]:
    """Return one bench scan exported again, its first idle row of one parameter changed, and that scan's id."""
    disorder = scenario.disorder
    mine = seen.scans.filter((pl.col("reader") == "bench") & (pl.col("van") == disorder.conflicting_van))
    chosen = mine.sort("local_at")["scan_id"][len(mine) * 2 // 3]
    copy = readings.filter(pl.col("scan_id") == chosen).with_columns(pl.col("low", "high").cast(pl.Float64))
    rows = np.flatnonzero((copy["parameter"] == disorder.conflicting_parameter).to_numpy())
    value = copy["value"].scatter(rows[0], str(disorder.conflicting_value))
    return copy.with_columns(value).drop("scan", "local_at"), chosen
