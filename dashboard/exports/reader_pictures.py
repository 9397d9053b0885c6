"""Charts of readers for print, each with its caption."""

from __future__ import annotations

import polars as pl

from dashboard.charts.agreement import draw_agreement
from dashboard.charts.exposure_words import say_count
from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.reader_words import UNIT, measure_agreement, name_update, say_agreement, say_updated
from dashboard.charts.shift_rows import draw_shifts
from dashboard.charts.words import Reading, clean_text
from dashboard.exports.exposure_pictures import SHIFTS_KEY
from dashboard.exports.picture import Caption, caption_of
from dashboard.questions import fleet, readers
from dashboard.questions.filters import Filters
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError

BIAS_KEY = SHIFTS_KEY.replace(
    "vans at the level less vans at the other, within groups of siblings",
    "the reader less the reference, on vans that both have read",
)
UPDATE_KEY = (
    "Each row is one reading. Mark: how far vans moved that this reader read before and after the update, less how far"
    " vans moved that others read over the same dates; line: 95 % interval. 1 on the axis is what would be worth a look"
    " in one van."
)
AGREEMENT_KEY = (
    "Each mark is one van read by both readers within 24 hours. Solid line: bias; dashed: limits of agreement, between"
    f" which one more pair falls 19 times of 20; shaded: their 95 % intervals (Bland and Altman). {UNIT}"
)


def choose_two(effects: pl.DataFrame, meetings: pl.DataFrame) -> tuple[str, str]:
    """Return the reader that stands out most and its reference; without one, the two that met most often.

    Raises
    ------
    KinbayError
        Where there is nothing to compare.
    """
    for rows, names in ((effects, ("reader", "reference")), (meetings, ("reader", "other_reader"))):
        if rows.height:
            first = rows.row(0, named=True)
            return first[names[0]], first[names[1]]
    raise KinbayError(
        "No two readers can be held against each other: none have read the same vans within the same weeks",
        remedy="Scan two vans with both readers on one day.",
    )


def picture_biases(warehouse: Warehouse, reader: str) -> tuple[Chart, Caption]:
    """Return the chart of a reader against the reference in all readings, and its caption.

    Raises
    ------
    KinbayError
        Where the reader is held against no other.
    """
    rows = readers.list_reader_effects(warehouse).filter(pl.col("reader") == pl.lit(reader))
    if rows.is_empty():
        raise KinbayError(
            f"{clean_text(reader)} is held against no other reader",
            remedy="Scan two vans with it and another reader on one day.",
        )
    reference = clean_text(rows["reference"][0])
    title = f"{clean_text(reader)} against {reference}, all readings"
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title=title,
        finding=f"{say_count(rows.to_dicts())} What is sure is taken off before vans are compared.",
        filters="all vans that both have read",
        n_vans=max(rows["n_vans"].to_list()),
        n_scans=int(readers.list_readers(warehouse, _every(warehouse)).filter(pl.col("reader") == pl.lit(reader))["n_scans"].sum()),
        key=BIAS_KEY,
    )  # fmt: skip
    return draw_shifts(rows, title, None, PRINT), caption


def _every(warehouse: Warehouse) -> list[str]:
    names: list[str] = fleet.list_shown_vans(warehouse, Filters())["van"].to_list()
    return names


def picture_agreement(
    warehouse: Warehouse, two: tuple[str, str], reading: Reading, filters: Filters
) -> tuple[Chart, Caption]:
    """Return the chart of how two readers agree in one reading, and its caption.

    Raises
    ------
    KinbayError
        Where they never read one van within a day.
    """
    names = fleet.list_shown_vans(warehouse, filters)["van"].to_list()
    pairs = readers.list_reader_pairs(warehouse, two, reading.parameter, reading.state, names)
    if pairs.is_empty():
        raise KinbayError(
            f"{clean_text(two[0])} and {clean_text(two[1])} never read one van within 24 hours in this reading",
            reading.title,
            "Scan two vans with both on one day.",
        )
    own = readers.list_reader_meetings(warehouse).filter(
        (pl.col("parameter") == reading.parameter) & (pl.col("state") == reading.state)
    )
    row = own.row(0, named=True)
    agreed = measure_agreement(pairs, row["resolution"])
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title=f"{reading.title}: {clean_text(two[0])} and {clean_text(two[1])} on the same vans",
        finding=" ".join(say_agreement(agreed, reading, two, row["smallest_useful"])),
        filters=filters.describe(),
        n_vans=agreed.n_vans,
        n_scans=2 * agreed.n_pairs,
        key=AGREEMENT_KEY,
    )
    return draw_agreement(pairs, agreed, reading, two, PRINT), caption


def choose_update(rows: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return the readings of one update by its name."""
    names = [name_update(row) for row in rows.iter_rows(named=True)]
    return rows.filter(pl.Series([known == name for known in names], dtype=pl.Boolean))


def picture_update(warehouse: Warehouse, name: str) -> tuple[Chart, Caption]:
    """Return the chart of what one update of a reader did to all readings, and its caption."""
    own = choose_update(readers.list_reader_updates(warehouse), name)
    judged = own.filter(pl.col("p").is_not_null())
    scans = readers.list_readers(warehouse, _every(warehouse)).filter(
        pl.col("reader") == pl.lit(own["reader"][0])
    )
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title=f"What the update did: {clean_text(name)}",
        finding=say_updated(own),
        filters="all vans read before and after",
        n_vans=int((judged["n_vans"] + judged["n_vans_other"]).max() or 0),  # type: ignore[arg-type]
        n_scans=int(scans["n_scans"].sum()),
        key=UPDATE_KEY,
    )
    return draw_shifts(judged, clean_text(name), None, PRINT), caption
