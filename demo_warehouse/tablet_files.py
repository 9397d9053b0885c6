"""The yard tablet's files: one a quarter, long, tabs, degrees F, psi, kg/h and miles, times with their offset."""

from __future__ import annotations

import polars as pl

from demo_warehouse.observations import Observations
from demo_warehouse.scenario import Scenario

PERIODS = ("2025-04-01", "2025-07-01", "2025-10-01", "2026-01-01", "2026-04-01", "2026-07-01", "2027-01-01")
_KM_PER_MILE = 1.609344
STAGGERED_S = 2  # the tablet asks for the second half of its list two seconds later
COLUMNS = {
    "session": "scan_id",
    "vehicle": "van",
    "app": "reader_version",
    "started": "scanned_at",
    "miles": "odometer_mi",
    "outside_c": "ambient_c",
    "rest_volts": "rest_v",
    "stood_days": "standing_days",
    "heard": "modules",
    "no_reply": "modules_silent",
    "taken": "at",
    "kind": "",
    "item": "",
    "reading": "",
    "unit": "",
    "unit_name": "module",
    "dtc": "code",
    "dtc_state": "status",
}
STATUS_WORDS = {
    "present": "now",
    "confirmed": "set",
    "stored": "kept",
    "pending": "maybe",
    "healed": "gone",
}


def _offset_time(column: str, zone: str) -> pl.Expr:
    """Return a local wall time as ISO 8601 with its offset."""
    return pl.col(column).dt.replace_time_zone(zone).dt.strftime("%Y-%m-%dT%H:%M:%S%:z")


def _scan_columns(scenario: Scenario, seen: Observations, modules: pl.DataFrame) -> pl.DataFrame:
    zone = scenario.firm.time_zone
    mine = seen.scans.filter(pl.col("reader") == "tablet").join(modules, on="scan", maintain_order="left")
    return mine.select(
        "scan",
        pl.col("scan_id").alias("session"),
        pl.col("van").alias("vehicle"),
        pl.col("reader_version").alias("app"),
        _offset_time("local_at", zone).alias("started"),
        (pl.col("odometer_km") / _KM_PER_MILE).round(1).cast(pl.String).alias("miles"),
        pl.col("ambient_c").cast(pl.String).alias("outside_c"),
        pl.col("rest_v").cast(pl.String).alias("rest_volts"),
        pl.col("standing_days").cast(pl.Int64).cast(pl.String).alias("stood_days"),
        pl.col("modules").alias("heard"),
        pl.col("modules_silent").alias("no_reply"),
    )


def _live_rows(scenario: Scenario, seen: Observations) -> pl.DataFrame:
    """Return one row per reading in the tablet's words and units."""
    labels = scenario.labels["tablet"]
    writing = pl.DataFrame(
        {
            "parameter": [one.parameter for one in labels],
            "item": [one.label for one in labels],
            "unit": [one.unit for one in labels],
            "factor": [float(one.factor) for one in labels],
            "shift": [float(one.shift) for one in labels],
            "decimals": [one.decimals for one in labels],
            "late": [STAGGERED_S * (place >= len(labels) // 2) for place in range(len(labels))],
        }
    )
    shown = pl.col("value") * pl.col("factor") + pl.col("shift")
    text = pl.lit("")
    for decimals in sorted({one.decimals for one in labels}):
        rounded = shown.round(decimals)
        words = (rounded.cast(pl.Int64) if decimals == 0 else rounded).cast(pl.String)
        text = pl.when(pl.col("decimals") == decimals).then(words).otherwise(text)
    return (
        seen.readings.filter(pl.col("reader") == "tablet")
        .join(writing, on="parameter", maintain_order="left")
        .with_columns(
            pl.col("local_at") + pl.duration(seconds="late"), text.alias("reading"), kind=pl.lit("LIVE")
        )
        .select("scan", "local_at", "kind", "item", "reading", "unit")
    )


def _code_rows(seen: Observations, codes: pl.DataFrame) -> pl.DataFrame:
    """Return one row per code in the tablet's words."""
    words = list(STATUS_WORDS.items())
    state = pl.col("status").replace_strict([w[0] for w in words], [w[1] for w in words])
    mine = seen.scans.filter(pl.col("reader") == "tablet").select("scan", "local_at")
    return codes.join(mine, on="scan", maintain_order="left").select(
        "scan",
        "local_at",
        pl.lit("DTC").alias("kind"),
        pl.col("module").alias("unit_name"),
        pl.col("code").alias("dtc"),
        state.alias("dtc_state"),
    )


def make_tablet_rows(
    scenario: Scenario, seen: Observations, codes: pl.DataFrame, modules: pl.DataFrame
) -> pl.DataFrame:
    """Return every line the tablet writes, in order, still with `scan` and `local_at` for the cutting."""
    rows = pl.concat([_live_rows(scenario, seen), _code_rows(seen, codes)], how="diagonal")
    return (
        rows.with_columns(_offset_time("local_at", scenario.firm.time_zone).alias("taken"))
        .join(_scan_columns(scenario, seen, modules), on="scan", maintain_order="left")
        .sort("started", "session", "taken", "kind", maintain_order=True)
        .select("scan", "local_at", *COLUMNS)
    )


def write_tablet(rows: pl.DataFrame) -> bytes:
    """Return one file's bytes: UTF-8, tabs."""
    plain = rows.with_columns(pl.col(pl.String).replace("", None))
    return plain.write_csv(separator="\t", quote_style="necessary").encode("utf-8")
