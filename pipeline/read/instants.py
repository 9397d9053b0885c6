"""Times of an export: day and clock joined, rewritten to ISO 8601, and the instant or the scan's own time filled in.

A text that no format of the layout fits stays as it is, and is refused later if it is not ISO 8601.
"""

from __future__ import annotations

import polars as pl

from pipeline.layouts.tables import tidy_tables
from pipeline.read.layouts import Layout

ISO_FORMAT = "%Y-%m-%dT%H:%M:%S%.6f"
_SPREADSHEET_DAY = r"^1(?:899-12-3[01]|904-01-01)[T ]"
_MIDNIGHT = r"[T ]00:00:00(?:\.0+)?$"


def write_iso_times(wide: pl.DataFrame, layout: Layout) -> pl.DataFrame:
    """Join dates and times of day, and rewrite times in the layout's formats to ISO 8601."""
    for name in ("at", "scanned_at"):
        day, clock = f"{name}_date", f"{name}_time"
        if day in wide.columns and clock in wide.columns:
            parts = [
                pl.col(day).str.strip_chars().str.replace(_MIDNIGHT, ""),
                pl.col(clock).str.strip_chars().str.replace(_SPREADSHEET_DAY, ""),
            ]
            wide = wide.with_columns(pl.concat_str(parts, separator=" ").alias(name))
        elif day in wide.columns:
            wide = wide.with_columns(pl.col(day).alias(name))
    kinds = {c: k for t in layout.feeds for c, k in tidy_tables()[t].columns.items()}
    times = [c for c in wide.columns if kinds.get(c) in {"time", "date"}]
    if not layout.time.formats or not times:
        return wide
    return wide.with_columns(_iso(wide[c], layout.time.formats, is_date=kinds[c] == "date") for c in times)


def _iso(given: pl.Series, formats: tuple[str, ...], *, is_date: bool) -> pl.Series:
    keys = pl.DataFrame({"key": given.unique()})
    text = pl.col("key").str.strip_chars()
    found = []
    for form in formats:
        if "%H" not in form and "%I" not in form:
            found.append(text.str.to_date(form, strict=False).dt.strftime("%Y-%m-%d"))
        elif "%z" in form:
            aware = text.str.to_datetime(form, strict=False, time_unit="us", time_zone="UTC")
            found.append(aware.dt.strftime(ISO_FORMAT + "Z"))
        else:
            found.append(text.str.to_datetime(form, strict=False, time_unit="us").dt.strftime(ISO_FORMAT))
    iso = keys.with_columns(iso=pl.coalesce(*found, text))
    if is_date:
        iso = iso.with_columns(pl.col("iso").str.slice(0, 10))
    joined = pl.DataFrame({"key": given}).join(
        iso, on="key", how="left", nulls_equal=True, maintain_order="left"
    )
    return joined["iso"].alias(given.name)


def add_scan_time(wide: pl.DataFrame) -> pl.DataFrame:
    """Give every row `at` and `scanned_at` where one of them can be had from the other."""
    if "at_offset_s" in wide.columns and "at" not in wide.columns and "scanned_at" in wide.columns:
        seconds = (
            pl.col("at_offset_s")
            .str.strip_chars()
            .str.replace(",", ".", literal=True)
            .cast(pl.Float64, strict=False)
        )
        local = pl.col("scanned_at").str.slice(0, 26).str.replace(" ", "T", literal=True)
        begin = pl.coalesce(
            local.str.to_datetime("%Y-%m-%dT%H:%M:%S%.f", strict=False, time_unit="us"),
            local.str.slice(0, 19).str.to_datetime("%Y-%m-%dT%H:%M:%S", strict=False, time_unit="us"),
            local.str.slice(0, 16).str.to_datetime("%Y-%m-%dT%H:%M", strict=False, time_unit="us"),
        )
        offset = pl.col("scanned_at").str.extract(r"\d:?\d\d(?:\.\d+)?([Zz]|[+-]\d{2}:?\d{2})$").fill_null("")
        moment = begin + pl.duration(microseconds=(seconds * 1e6).round(0).cast(pl.Int64))
        wide = wide.with_columns(at=moment.dt.strftime(ISO_FORMAT) + offset)
    if "at" in wide.columns and "scanned_at" not in wide.columns:
        filled = pl.col("at").filter(pl.col("at").str.strip_chars() != "")
        earliest = filled.min().over("scan_id") if "scan_id" in wide.columns else filled.min()
        wide = wide.with_columns(scanned_at=earliest)
    return wide
