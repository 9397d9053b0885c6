"""Whether a layout fits a sheet: columns that it names and the sheet lacks or holds twice, units that contradict."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline import vocabulary
from pipeline.errors import KinbayError
from pipeline.read.headers import Places, fold_header
from pipeline.read.layout_parts import Long, Wide, group_names
from pipeline.read.layouts import Layout


def absent_columns(layout: Layout, places: Places) -> list[str]:
    """Return the columns that the layout names and the sheet lacks."""
    named = [*layout.columns, *(w.column for w in layout.wide), *(f.column for f in layout.freeze_frame)]
    grouped = {fold_header(g) for e in layout.extract for g in group_names(e.pattern)}
    return [c for c in named if places.get(c) is None and fold_header(c) not in grouped]


def check_fit(layout: Layout, places: Places, units: Mapping[str, str]) -> None:
    """Check names and units against the sheet's header.

    Parameters
    ----------
    layout : Layout
        How the export reads.
    places : Places
        Where its columns stand in the sheet.
    units : mapping
        The unit that the header or the unit row shows, by place.

    Raises
    ------
    KinbayError
        Where a named column stands twice, or a unit is left empty or is another than the layout's.
    """
    _check_twice(layout, places)
    _check_units(layout, places, units)


def _check_twice(layout: Layout, places: Places) -> None:
    """A name that stands twice in the file says nothing until it is told which of the two is meant."""
    for name in _named(layout):
        if fold_header(name) in places.twice:
            raise KinbayError(
                f"The column {name!r} stands more than once in the file",
                remedy=f"Say which is meant in the layout: {name}#1, {name}#2.",
            )


def _named(layout: Layout) -> list[str]:
    """Every column that the layout names."""
    long = [layout.long.parameter, layout.long.value, layout.long.unit] if layout.long else []
    wide: list[Wide | Long] = [*layout.wide, *([layout.long] if layout.long else [])]
    limits = [c for w in wide for c in (w.low, w.high, w.mark)]
    named = [
        *layout.columns,
        *(w.column for w in layout.wide),
        *(f.column for f in layout.freeze_frame),
        *(e.column for e in layout.extract),
        *layout.codes.also,
        *long,
        *limits,
    ]
    return [c for c in named if c is not None]


def _check_units(layout: Layout, places: Places, units: Mapping[str, str]) -> None:
    """A unit row that contradicts the layout means another export than the one described."""
    for column in layout.wide:
        place = places.get(column.column) or ""
        shown = units.get(place, "")
        if not column.unit and not shown and places.units.get(place) == "":
            raise KinbayError(
                f"The file leaves the unit of {column.column!r} empty",
                remedy="Write the unit into the layout: unit = ... under its [[wide]].",
            )
        if column.unit and shown and vocabulary.fold_unit(shown) != vocabulary.fold_unit(column.unit):
            raise KinbayError(
                f"The file gives {column.column!r} in {shown!r}, the layout in {column.unit!r}",
                remedy="Correct the unit in the layout, or make another layout for this export.",
            )
