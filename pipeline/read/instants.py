"""Times of an export: day and clock joined, rewritten to ISO 8601, and the instant or the scan's own time filled in.

A text that no format of the layout fits stays as it is, and is refused later if it is not ISO 8601.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from pipeline.layouts.tables import tidy_tables
from pipeline.read.layout_parts import SPECIAL_TIMES
from pipeline.read.layouts import Layout

ISO_FORMAT = "%Y-%m-%dT%H:%M:%S%.6f"
_SPREADSHEET_DAY = r"^1(?:899-12-3[01]|904-01-01)[T ]"
_ENDS_DAY = (
    r"(^|[T ,])24:00(:00(?:\.0+)?)?$"  # ISO 8601: the end of a day, which begins the next (from memory)
)
_MIDNIGHT = r"[T ]00:00:00(?:\.0+)?$"


@dataclass
class Midnights:
    """How often the clock has passed midnight so far, where one day stands for the whole file."""

    last: datetime | None = None
    days: int = 0


def write_iso_times(wide: pl.DataFrame, layout: Layout, midnights: Midnights | None = None) -> pl.DataFrame:
    """Join dates and times of day, and rewrite times in the layout's formats to ISO 8601.

    Parameters
    ----------
    wide : pl.DataFrame
        Tidy columns as text.
    layout : Layout
        Knows the formats.
    midnights : Midnights, optional
        Where one day stands for the whole file: a clock that falls by more than half a day in the order of
        the rows has then passed midnight. It is kept up from piece to piece.
    """
    for name in ("at", "scanned_at"):
        day, clock = f"{name}_date", f"{name}_time"
        if name in wide.columns:
            continue
        if day in wide.columns and clock in wide.columns:
            parts = [
                pl.col(day).str.strip_chars().str.replace(_MIDNIGHT, ""),
                pl.col(clock).str.strip_chars().str.replace(_SPREADSHEET_DAY, ""),
            ]
            both = pl.concat_str(parts, separator=" ")
            half = pl.format("{} (no time of day)", parts[0])  # refused later: midnight would be a guess
            wide = wide.with_columns(pl.coalesce(both, half, parts[1]).alias(name))
        elif day in wide.columns:
            wide = wide.with_columns(pl.col(day).alias(name))
    kinds = {c: k for t in layout.feeds for c, k in tidy_tables()[t].columns.items()}
    times = [c for c in wide.columns if c in {"at", "scanned_at"} or kinds.get(c) in {"time", "date"}]
    if layout.time.formats and times:
        wide = wide.with_columns(
            _iso(wide[c], layout.time.formats, is_date=kinds.get(c) == "date") for c in times
        )
    return wide if midnights is None or "at_time" not in wide.columns else _past_midnight(wide, midnights)


def _past_midnight(wide: pl.DataFrame, midnights: Midnights) -> pl.DataFrame:
    """Add a day to the instants below each fall of the clock by more than half a day."""
    read = read_moments(pl.col("at"))
    last = pl.lit(midnights.last, pl.Datetime("us"))
    frame = wide.select(read.alias("read"), filled=read.forward_fill().fill_null(last))
    before = pl.col("filled").shift(1).fill_null(last)
    falls = (pl.col("filled") - before < timedelta(hours=-12)).fill_null(value=False)
    days = frame.select(falls.cum_sum().cast(pl.Int64) + midnights.days).to_series()
    if len(frame):
        midnights.last, midnights.days = frame["filled"][-1], int(days[-1])
    if not midnights.days:
        return wide
    moved = frame.select(
        (pl.col("read") + pl.duration(days=pl.lit(days))).dt.strftime(ISO_FORMAT)
    ).to_series()
    return wide.with_columns(pl.when(days > 0).then(pl.coalesce(moved, "at")).otherwise("at").alias("at"))


def _special(text: pl.Expr, form: str) -> pl.Expr:
    """Seconds or milliseconds since 1970 in UTC, or days since 1899-12-30 as spreadsheets count them (local)."""
    number = text.str.replace(",", ".", literal=True)
    if form == "day_number":
        days = pl.when(number.str.contains(r"^[2-6]\d{4}(?:\.\d+)?$")).then(
            number.cast(pl.Float64, strict=False)
        )
        moment = pl.lit(datetime(1899, 12, 30)) + pl.duration(
            milliseconds=(days * 86_400_000).round(0).cast(pl.Int64)
        )
        return moment.dt.strftime(ISO_FORMAT)
    digits = r"^\d{9,10}(?:\.\d+)?$" if form == "epoch_s" else r"^\d{12,13}(?:\.\d+)?$"
    count = pl.when(number.str.contains(digits)).then(number.cast(pl.Float64, strict=False))
    micros = (count * (1e6 if form == "epoch_s" else 1e3)).round(0).cast(pl.Int64)
    return pl.from_epoch(micros, time_unit="us").dt.strftime(ISO_FORMAT + "Z")


def _iso(given: pl.Series, formats: tuple[str, ...], *, is_date: bool) -> pl.Series:
    keys = pl.DataFrame({"key": given.unique()})
    whole = pl.col("key").str.strip_chars().str.replace(r"(:\d{2}),(\d{1,9})\b", "${1}.${2}")
    next_day = pl.duration(days=whole.str.contains(_ENDS_DAY).fill_null(value=False).cast(pl.Int64))
    text = whole.str.replace(_ENDS_DAY, "${1}00:00${2}")
    found = []
    for form in formats:
        if form in SPECIAL_TIMES:
            found.append(_special(text, form))
        elif "%H" not in form and "%I" not in form:
            found.append(text.str.to_date(form, strict=False).dt.strftime("%Y-%m-%d"))
        elif "%z" in form:
            aware = text.str.to_datetime(form, strict=False, time_unit="us", time_zone="UTC")
            found.append(aware.dt.strftime(ISO_FORMAT + "Z"))
        else:
            moment = text.str.to_datetime(form, strict=False, time_unit="us") + next_day
            found.append(moment.dt.strftime(ISO_FORMAT))
    iso = keys.with_columns(iso=pl.coalesce(*found, whole))
    if is_date:
        iso = iso.with_columns(pl.col("iso").str.slice(0, 10))
    joined = pl.DataFrame({"key": given}).join(
        iso, on="key", how="left", nulls_equal=True, maintain_order="left"
    )
    return joined["iso"].alias(given.name)


def _offset_seconds(wide: pl.DataFrame, decimal: str) -> pl.Expr | None:
    """Seconds since the scan began: plain, in milliseconds, or as `mm:ss` and `hh:mm:ss`."""
    if "at_offset_ms" in wide.columns:
        return (
            pl.col("at_offset_ms")
            .str.strip_chars()
            .str.replace(decimal, ".", literal=True)
            .cast(pl.Float64, strict=False)
            / 1000
        )
    if "at_offset_s" not in wide.columns:
        return None
    text = pl.col("at_offset_s").str.strip_chars().str.replace(",", ".", literal=True)
    parts = text.str.extract_groups(r"^(?:(?P<h>\d+):)?(?P<m>\d+):(?P<s>\d{1,2}(?:\.\d+)?)$")
    clock = (
        parts.struct.field("h").cast(pl.Float64).fill_null(0) * 3600
        + parts.struct.field("m").cast(pl.Float64) * 60
        + parts.struct.field("s").cast(pl.Float64)
    )
    return pl.coalesce(text.cast(pl.Float64, strict=False), clock)


def add_instant(wide: pl.DataFrame, layout: Layout) -> pl.DataFrame:
    """Give every row `at` where it can be had from `scanned_at` and the seconds since."""
    seconds = _offset_seconds(wide, layout.file.decimal)
    if seconds is not None and "at" not in wide.columns and "scanned_at" in wide.columns:
        begin = read_moments(pl.col("scanned_at"))
        offset = pl.col("scanned_at").str.extract(r"\d:?\d\d(?:\.\d+)?([Zz]|[+-]\d{2}:?\d{2})$").fill_null("")
        moment = begin + pl.duration(microseconds=(seconds * 1e6).round(0).cast(pl.Int64))
        given = pl.col("at_offset_ms" if "at_offset_ms" in wide.columns else "at_offset_s")
        wide = wide.with_columns(at=pl.coalesce(moment.dt.strftime(ISO_FORMAT) + offset, given))
    return wide


def read_moments(text: pl.Expr) -> pl.Expr:
    """ISO 8601 texts as naive times, offsets ignored; null for anything else."""
    plain = text.str.slice(0, 26).str.replace(" ", "T", literal=True)
    forms = ("%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M")
    reads = [plain.str.to_datetime(f, strict=False, time_unit="us") for f in forms]
    short = plain.str.slice(0, 19).str.to_datetime("%Y-%m-%dT%H:%M:%S", strict=False, time_unit="us")
    return pl.coalesce(*reads, short)
