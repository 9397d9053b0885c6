"""Which table or layout a file is: the tidy tables by their columns, then the layouts by their headers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import KinbayError, nearest
from pipeline.read.delimited import Dialect, open_delimited
from pipeline.read.json_lines import open_json_lines
from pipeline.read.layouts import Layout, fits, missing_headers
from pipeline.read.parquet import open_parquet
from pipeline.read.reshape import Reshaper
from pipeline.read.sheets import Piece, Sheet
from pipeline.read.sources import Source
from pipeline.read.spreadsheets import open_workbook
from pipeline.read.tidy import TidyMatch, match_tidy, nearest_table, rename_to_tidy

HEAD_CHARACTERS = 4000


@dataclass(frozen=True)
class Recognised:
    """One sheet of a file whose meaning is known.

    Parameters
    ----------
    sheet : Sheet
        The sheet.
    tidy : TidyMatch or None
        The tidy table it is.
    layout : Layout or None
        The layout it follows, where it is no tidy table.
    notes : tuple[str, ...]
        What was passed over on the way.
    """

    sheet: Sheet
    tidy: TidyMatch | None
    layout: Layout | None
    file_name: str
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> str:
        """The tidy table, or those that the layout feeds, joined by `+`."""
        return self.tidy.table.name if self.tidy else "+".join(self.layout.feeds if self.layout else ())

    def tables(self) -> Iterator[tuple[dict[str, pl.DataFrame], Piece]]:
        """Give the rows piece by piece as tidy text tables by name, beside the piece they came from."""
        if self.tidy is not None:
            for piece in self.sheet.pieces():
                yield {self.tidy.table.name: rename_to_tidy(piece.frame, self.tidy)}, piece
        elif self.layout is not None:
            yield from Reshaper(self.layout, self.sheet, self.file_name).tables()


def recognise(
    source: Source, layouts: dict[str, Layout], forced: str | None = None, is_van_given: bool = False
) -> list[Recognised]:
    """Say what every sheet of a file is.

    Parameters
    ----------
    source : Source
        The file.
    layouts : dict
        Known layouts by name.
    forced : str, optional
        The layout to use, whatever the file looks like.
    is_van_given : bool
        Whether the person names the van, so that the file need not.

    Raises
    ------
    KinbayError
        Where nothing fits: the nearest table and the columns it lacks are named; or where several fit.
    """
    if forced is not None:
        return _by_layouts(source, [named_layout(layouts, forced)], is_forced=True)
    first_fault: KinbayError | None = None
    sheets: list[Sheet] = []
    try:
        sheets = open_sheets(source, None)
    except KinbayError as fault:
        first_fault = fault
    also = ("van",) if is_van_given else ()
    found = [
        Recognised(s, m, None, Path(source.name).name, _unused(m))
        for s in sheets
        if (m := match_tidy(s.header, also))
    ]
    if found:
        passed = [s.name for s in sheets if s.name not in {f.sheet.name for f in found}]
        if passed:
            note = f"not read: sheet {', '.join(passed)}"
            found[0] = Recognised(
                found[0].sheet, found[0].tidy, None, found[0].file_name, (*found[0].notes, note)
            )
        return found
    by_layout = _by_layouts(source, list(layouts.values()), is_forced=False)
    if by_layout:
        return by_layout
    if first_fault is not None:
        raise first_fault
    raise _unknown(sheets)


def _unused(match: TidyMatch) -> tuple[str, ...]:
    return (f"columns not used: {', '.join(match.unused)}",) if match.unused else ()


def named_layout(layouts: dict[str, Layout], name: str) -> Layout:
    """Return the layout of this name.

    Raises
    ------
    KinbayError
        Where there is none; the nearest is named.
    """
    if name not in layouts:
        hint = nearest(name, layouts)
        known = ", ".join(layouts) or "none"
        raise KinbayError(
            f"There is no layout called {name!r}",
            remedy=f"Did you mean {hint}?" if hint else f"Known: {known}.",
        )
    return layouts[name]


def open_sheets(source: Source, layout: Layout | None) -> list[Sheet]:
    """Open a file as its layout says, or as a tidy file where there is none."""
    kind = (layout.file.format if layout else None) or source.format
    skip = layout.file.skip_rows if layout else 0
    unit_row = layout.file.unit_row if layout else False
    if kind in {"xlsx", "ods"}:
        only = layout.file.sheet if layout else None
        sheets = open_workbook(source.path, source.name, skip_rows=skip, unit_row=unit_row, only=only)
        return sheets[:1] if layout else sheets
    if kind == "json_lines":
        return [open_json_lines(source.path)]
    if kind == "parquet":
        return [open_parquet(source.path, source.name)]
    if layout is None:
        return [open_delimited(source.path, Dialect())]
    return [open_delimited(source.path, Dialect(layout.file.encoding, layout.file.delimiter, skip, unit_row))]


def _by_layouts(source: Source, layouts: list[Layout], *, is_forced: bool) -> list[Recognised]:
    """The layouts that fit; the one with most headers wins."""
    name = Path(source.name).name
    found: list[tuple[int, Layout, Sheet]] = []
    for layout in layouts:
        try:
            sheets = open_sheets(source, layout)
        except KinbayError:
            if is_forced:
                raise
            continue
        for sheet in sheets:
            if fits(layout, sheet.header, name, _head(source, layout, sheet)):
                found.append((len(layout.match.headers), layout, sheet))
            elif is_forced:
                lacking = missing_headers(layout, sheet.header) or ["the file name or text it asks for"]
                raise KinbayError(
                    f"The file does not fit the layout {layout.name}",
                    f"missing: {', '.join(lacking)}",
                    "Choose another layout, or correct [match].",
                )
    best = max((count for count, _, _ in found), default=0)
    winners = [(layout, sheet) for count, layout, sheet in found if count == best]
    if len(winners) > 1:
        names = ", ".join(layout.name for layout, _ in winners)
        raise KinbayError(f"Several layouts fit: {names}", remedy="Say which with --layout NAME.")
    return [_with_notes(layout, sheet, name) for layout, sheet in winners]


def _with_notes(layout: Layout, sheet: Sheet, name: str) -> Recognised:
    absent = Reshaper(layout, sheet, name).absent()
    notes = (f"columns of the layout that the file lacks: {', '.join(absent)}",) if absent else ()
    return Recognised(sheet, None, layout, name, notes)


def _head(source: Source, layout: Layout, sheet: Sheet) -> str:
    if layout.match.text is None:
        return ""
    if source.format in {"xlsx", "ods", "parquet"}:
        return "\n".join([*sheet.preamble, "\t".join(sheet.header)])[:HEAD_CHARACTERS]
    with source.path.open("rb") as file:
        return file.read(HEAD_CHARACTERS * 4).decode(layout.file.encoding, errors="replace")[:HEAD_CHARACTERS]


def _unknown(sheets: list[Sheet]) -> KinbayError:
    """Name the nearest table and what it lacks."""
    if not sheets:
        return KinbayError("The file holds no rows", remedy="Give a file with a header and rows.")
    table, missing, hint = min((nearest_table(s.header) for s in sheets), key=lambda n: len(n[1]))
    return KinbayError(
        f"No table and no layout fits; the nearest table is {table}, which also needs {', '.join(missing)}",
        remedy=f"Add the columns, or describe the file by a layout (pipeline/layouts/README.md).{hint}",
    )
