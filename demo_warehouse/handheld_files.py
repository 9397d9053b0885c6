"""The handheld's files: one a month, wide, semicolons, decimal comma, German labels, cp1252, one line above."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from demo_warehouse.observations import Observations
from demo_warehouse.scenario import Scenario
from demo_warehouse.story import Label
from demo_warehouse.streams import stream

TITLE = "H2 Messwertexport"
ENCODING = "cp1252"
NO_VALUE = "---"
STATUS_WORDS = {
    "present": "aktiv",
    "confirmed": "bestätigt",
    "stored": "gespeichert",
    "pending": "vorläufig",
    "healed": "geheilt",
}
SCAN_COLUMNS = {
    "Messung": "scan_id",
    "Fahrzeug": "van",
    "Version": "reader_version",
    "Datum": "at_date",
    "Uhrzeit": "at_time",
    "km-Stand": "odometer_km",
    "Ruhespannung [V]": "rest_v",
    "Außentemperatur [°C]": "ambient_c",
}
CODE_COLUMNS = {"Fehler": "code", "Fehlerstatus": "status"}


def with_comma(number: pl.Expr, decimals: int) -> pl.Expr:
    """Return a number as German text; a missing one as the reader's dashes."""
    rounded = number.round(decimals)
    text = rounded.cast(pl.Int64).cast(pl.String) if decimals == 0 else rounded.cast(pl.String)
    return text.str.replace(".", ",", literal=True).fill_null(NO_VALUE)


def _wide(seen: Observations, labels: tuple[Label, ...]) -> pl.DataFrame:
    """Return one row per instant with a text column per label."""
    mine = seen.readings.filter(pl.col("reader") == "handheld")
    wide = mine.pivot("parameter", index=["scan", "instant", "local_at"], values="value", maintain_order=True)
    columns = [
        with_comma(pl.col(one.parameter) * one.factor + one.shift, one.decimals).alias(one.label)
        for one in labels
    ]
    return wide.select("scan", "instant", "local_at", *columns)


def _codes(codes: pl.DataFrame) -> pl.DataFrame:
    """Return one row per scan, module engine and status, codes separated by commas."""
    words = list(STATUS_WORDS.items())
    german = pl.col("status").replace_strict([w[0] for w in words], [w[1] for w in words])
    return (
        codes.filter(pl.col("module") == "engine")
        .with_columns(german.alias("Fehlerstatus"))
        .group_by("scan", "Fehlerstatus", maintain_order=True)
        .agg(pl.col("code").str.join(", ").alias("Fehler"))
        .with_columns(pl.int_range(pl.len()).over("scan").alias("place"))
    )


def make_handheld_rows(
    scenario: Scenario, seen: Observations, codes: pl.DataFrame, seed: int
) -> pl.DataFrame:
    """Return every line the handheld writes, in order, still with `scan` and `local_at` for the cutting.

    A scan's codes stand in its first rows, one status a row, because a row has room for one status.
    """
    labels = scenario.labels["handheld"]
    scans = seen.scans.select(
        "scan",
        pl.col("scan_id").alias("Messung"),
        pl.col("van").alias("Fahrzeug"),
        pl.col("reader_version").alias("Version"),
        with_comma(pl.col("odometer_km"), 0).alias("km-Stand"),
        with_comma(pl.col("rest_v"), 2).alias("Ruhespannung [V]"),
        with_comma(pl.col("ambient_c"), 1).alias("Außentemperatur [°C]"),
    )
    rows = (
        _wide(seen, labels)
        .join(scans, on="scan", maintain_order="left")
        .with_columns(pl.int_range(pl.len()).over("scan").alias("place"))
        .join(_codes(codes), on=["scan", "place"], how="left", maintain_order="left")
        .with_columns(
            pl.col("local_at").dt.strftime("%d.%m.%Y").alias("Datum"),
            pl.col("local_at").dt.strftime("%H:%M:%S").alias("Uhrzeit"),
            pl.col("Fehler", "Fehlerstatus").fill_null(""),
        )
    )
    rng = stream(seed, "dashes")
    place = rng.choice(len(rows), size=scenario.disorder.missing_words, replace=False)
    dashed = np.zeros(len(rows), dtype=bool)
    dashed[place] = True
    label = next(one.label for one in labels if one.parameter == "intake_air_temp")
    rows = rows.with_columns(pl.when(pl.Series(dashed)).then(pl.lit("n.v.")).otherwise(label).alias(label))
    return rows.sort("local_at", "instant").select(
        "scan", "local_at", *SCAN_COLUMNS, *[one.label for one in labels], *CODE_COLUMNS
    )


def cut_months(rows: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    """Cut the lines by the month in which the scan was taken."""
    months = rows.with_columns(pl.col("local_at").dt.strftime("%Y-%m").alias("month"))
    for (month,), part in months.group_by("month", maintain_order=True):
        yield str(month), part.drop("scan", "local_at", "month")


def write_handheld(rows: pl.DataFrame) -> bytes:
    """Return one file's bytes: a line with the reader's title, the header, the rows."""
    text = rows.with_columns(pl.col(pl.String).replace("", None)).write_csv(
        separator=";", line_terminator="\r\n", quote_style="necessary"
    )
    return (f"{TITLE};{len(rows)} Zeilen\r\n" + text).encode(ENCODING)
