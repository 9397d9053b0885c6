"""Readings: label into reading, unit into the reading's own, value into a double with its quality."""

from __future__ import annotations

import polars as pl

from pipeline.normalise import units
from pipeline.normalise.cells import Cells
from pipeline.normalise.conventions import Conventions, Normalised
from pipeline.normalise.distinct import part_distinct, part_together
from pipeline.normalise.numbers import Numbers, parse_numbers
from pipeline.normalise.scan_keys import find_scan_keys
from pipeline.normalise.words import normalise_words


def meanings_of(cells: Cells) -> tuple[pl.DataFrame, units.Meanings]:
    """Look up the label and unit of every row.

    Returns
    -------
    tuple
        One row per row of the table, as `units.MEANING_SCHEMA` without label and unit, and the pairs that were looked up.
    """
    label, unit = part_distinct(cells.raw("parameter")), part_distinct(cells.raw("unit"))
    pairs = part_together([label, unit])
    keys = {
        name: one.texts.gather(one.places.gather(pairs.first)).cast(pl.String).fill_null("")
        for name, one in (("label", label), ("unit", unit))
    }
    c = cells.conventions
    found = units.resolve_meanings(pl.DataFrame(keys), c.answers, asks_units=c.asks_units)
    rows = found.table.drop("label", "unit").select(pl.all().gather(pairs.places))
    if rows["reason"].null_count() < len(rows):
        is_empty = (keys["label"].str.strip_chars() == "").gather(pairs.places)
        cells.require(is_empty, "parameter")
        for column in ("parameter", "unit"):
            here = (rows["fault_column"] == column) & ~is_empty
            cells.faults.add(here, column, cells.raw(column), rows["reason"], rows["remedy"])
    return rows, found


def values_of(cells: Cells) -> Numbers:
    """Parse the values; a wrong one loses the row."""
    value = parse_numbers(cells.raw("value"), cells.conventions.marks)
    cells.note_no_number(value.is_wrong, "value")
    return value


def canonical(given: pl.Series, meaning: pl.DataFrame) -> pl.DataFrame:
    """Return `value` in the reading's own unit (null for a sentinel) and its `quality`."""
    turned = meaning.with_columns(turned=units.convert(pl.lit(given)))
    judged = turned.select("turned", quality=units.quality(pl.col("turned")))
    return judged.select(value=pl.when(pl.col("quality") != "sentinel").then("turned"), quality="quality")


def normalise_readings(given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise rows of the tidy table `readings`.

    Parameters
    ----------
    given : pl.DataFrame
        `line` and text columns.
    conventions : Conventions
        How the file is written.

    Returns
    -------
    Normalised
        `readings`, and `scans` made from rows without a scan_id.
    """
    cells = Cells(given, conventions)
    meaning, found = meanings_of(cells)
    if found.questions:
        return Normalised({}, "readings", questions=found.questions)
    keys = find_scan_keys(cells)
    number = values_of(cells)
    at = cells.time("at", loses_row=True)  # without it the row would join another instant
    low, high = limits_of(cells, meaning)
    mark = normalise_words(cells.raw("mark"), "mark", cells.faults)
    state = normalise_words(cells.raw("state"), "state", cells.faults)
    value = canonical(number.value, meaning)
    rows = pl.DataFrame(
        {
            "line": given["line"],
            "scan_id": keys.scan_id,
            "reader": keys.reader,
            "at": at,
            "at_s": at.dt.epoch("us") / 1e6,
            "parameter": meaning["parameter"],
            "value": value["value"],
            "low": low,
            "high": high,
            "mark": mark,
            "state": state,
            "quality": value["quality"],
            "value_given": cells.raw("value").str.strip_chars(),
            "unit_given": meaning["unit_given"],
        }
    )
    lost = cells.faults.lost
    empty = number.is_missing & ~lost
    kept = rows.filter(~(lost | number.is_missing)) if (lost | number.is_missing).any() else rows
    return Normalised(
        {"scans": keys.scans, "readings": kept},
        "readings",
        cells.faults.rejects(),
        int(lost.sum()),
        int(empty.sum()),
        notes=cells.notes(),
    )


def limits_of(cells: Cells, meaning: pl.DataFrame, *, keeps_row: bool = True) -> tuple[pl.Series, pl.Series]:
    """Return the row's own limits in the reading's own unit; a low above its high is noted."""
    both = []
    for column in ("low", "high"):
        limit = cells.number(column)
        both.append(meaning.select(units.convert(pl.lit(limit))).to_series() if cells.has(column) else limit)
    low, high = both
    turned = low > high
    if turned.any():
        cells.faults.add(
            turned,
            "low",
            cells.raw("low"),
            "low lies above high",
            "Correct the two limits.",
            keeps_row=keeps_row,
        )
        low, high = (
            pl.select(pl.when(~turned.fill_null(value=False)).then(s)).to_series() for s in (low, high)
        )
    return low.alias("low"), high.alias("high")
