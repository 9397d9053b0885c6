"""Which table or layout a file is: the tidy tables by their columns, then the layouts by their headers."""

from __future__ import annotations

import fnmatch
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipeline.errors import KinbayError, nearest
from pipeline.read.delimited import Dialect, marked_encoding, open_delimited
from pipeline.read.json_document import open_json
from pipeline.read.json_lines import is_json_lines, open_json_lines
from pipeline.read.layouts import Layout, fits, missing_headers
from pipeline.read.lines import open_text
from pipeline.read.parquet import open_parquet
from pipeline.read.pdf_text import is_pdf, read_pdf
from pipeline.read.reshape import Reshaper
from pipeline.read.sheets import Piece, Sheet
from pipeline.read.sources import Source
from pipeline.read.spreadsheets import open_workbook, sheet_names
from pipeline.read.tidy import TidyMatch, match_tidy, nearest_table, rename_to_tidy

HEAD_CHARACTERS = 4000
PASTED = "pasted"
"""A text so named was put together by hand: it is shown before it is taken."""


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
    folder: str = ""

    @property
    def table(self) -> str:
        """The tidy table, or those that the layout feeds, joined by `+`."""
        return self.tidy.table.name if self.tidy else "+".join(self.layout.feeds if self.layout else ())

    def tables(
        self, facts: Mapping[str, str] | None = None
    ) -> Iterator[tuple[dict[str, pl.DataFrame], Piece]]:
        """Give the rows piece by piece as tidy text tables by name, beside the piece they came from.

        `facts` are tidy columns that a person told about this file, such as its van.
        """
        if self.tidy is not None:
            for piece in self.sheet.pieces():
                yield {self.tidy.table.name: rename_to_tidy(piece.frame, self.tidy)}, piece
        elif self.layout is not None:
            yield from Reshaper(self.layout, self.sheet, self.file_name, self.folder, facts).tables()

    def lacking(self, facts: Mapping[str, str]) -> tuple[str, ...]:
        """Return the tidy columns that only a person can tell about this file: `van`, `reader`, a time, a day."""
        if self.layout is None:
            return ()
        reshaper = Reshaper(self.layout, self.sheet, self.file_name, self.folder, facts)
        return lacking(self.layout.feeds, reshaper.targets())


def lacking(feeds: Sequence[str], targets: set[str]) -> tuple[str, ...]:
    """Return what a file that fills `targets` still needs so that its rows belong to a van, reader and time."""
    of_scans = {"scans", "readings", "codes", "freeze_frames"} & set(feeds)
    needs: list[str] = []
    if of_scans and ("scan_id" not in targets or "scans" in feeds):
        needs = [c for c in ("van", "reader") if c not in targets]
        times = {"scanned_at", "scanned_at_date", "at", "at_date"} & targets
        if not times:
            needs.append("at_date" if "at_time" in targets else "scanned_at")
    elif {"work", "notes", "exposures"} & set(feeds) and "van" not in targets:
        needs = ["van"]
    return tuple(needs)


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
        raise UnknownFileError(first_fault.what, first_fault.where, first_fault.remedy) from first_fault
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
    if layout is None:
        return _open_tidy(source)
    file = layout.file
    kind = file.format or source.format
    finds = _header_finder(layout) if file.find_header else None
    if kind in {"xlsx", "ods"}:
        return open_workbook(
            source.path,
            source.name,
            skip_rows=file.skip_rows,
            unit_row=file.unit_row,
            only=file.sheet,
            finds=finds,
            names=file.names,
        )
    if kind == "json_lines":
        return [open_json_lines(source.path)]
    if kind == "json":
        return [open_json(source.path, file.records, by_column=file.by_column)]
    if kind == "parquet":
        return [open_parquet(source.path, source.name)]
    if kind == "text":
        sheet = open_text(source.path, layout)
        is_pasted = Path(source.name).name.casefold().startswith(PASTED)
        return [replace(sheet, pages=sheet.pages or (1,)) if is_pasted else sheet]
    dialect = Dialect(
        file.encoding, file.delimiter, file.skip_rows, file.unit_row, finds, file.names, file.short_rows
    )
    return [open_delimited(source.path, dialect)]


def _open_tidy(source: Source) -> list[Sheet]:
    if is_pdf(source.path):
        read_pdf(source.path)
        raise KinbayError(
            "No layout fits the text of this PDF",
            remedy="Describe the report by a layout with [[line]] expressions (pipeline/layouts/README.md).",
        )
    if source.format in {"xlsx", "ods"}:
        return open_workbook(source.path, source.name)
    if source.format == "parquet":
        return [open_parquet(source.path, source.name)]
    if source.format == "json_lines":
        is_document = source.suffix == ".json" and not is_json_lines(source.path)
        return [open_json(source.path) if is_document else open_json_lines(source.path)]
    return [open_delimited(source.path, Dialect())]


def _header_finder(layout: Layout) -> Callable[[tuple[str, ...]], bool]:
    return lambda cells: not missing_headers(layout, cells)


def _by_layouts(source: Source, layouts: list[Layout], *, is_forced: bool) -> list[Recognised]:
    """The layouts that fit; the one with most headers wins."""
    name = Path(source.name).name
    found: list[tuple[int, Layout, Sheet]] = []
    for layout in layouts:
        if not is_forced and not _may_fit(source, layout, name):
            continue
        try:
            sheets = open_sheets(source, layout)
        except KinbayError:
            if is_forced:
                raise
            continue
        fitting = [s for s in sheets if fits(layout, s.header, name, _head(source, layout, s))]
        if is_forced and not fitting:
            lacking = missing_headers(layout, sheets[0].header) if sheets else []
            raise KinbayError(
                f"The file does not fit the layout {layout.name}",
                f"missing: {', '.join(lacking or ['the file name or text it asks for'])}",
                "Choose another layout, or correct [match].",
            )
        found += [(len(layout.match.headers), layout, sheet) for sheet in fitting]
    return _name_unread_sheets(source, _winners(found, name, source.folder))


def _name_unread_sheets(source: Source, chosen: list[Recognised]) -> list[Recognised]:
    """Say which sheets of a workbook no layout reads."""
    if not chosen or source.format not in {"xlsx", "ods"}:
        return chosen
    passed = [n for n in sheet_names(source.path) if n not in {c.sheet.name for c in chosen}]
    if not passed:
        return chosen
    note = f"not read: sheet {', '.join(passed)}"
    return [replace(chosen[0], notes=(*chosen[0].notes, note)), *chosen[1:]]


def _winners(found: Sequence[tuple[int, Layout, Sheet]], name: str, folder: str) -> list[Recognised]:
    """The layout with most headers for every sheet.

    Raises
    ------
    KinbayError
        Where several layouts fit a sheet equally well.
    """
    chosen: list[Recognised] = []
    for sheet_name in dict.fromkeys(sheet.name for _, _, sheet in found):
        here = [f for f in found if f[2].name == sheet_name]
        best = max(count for count, _, _ in here)
        winners = [(layout, sheet) for count, layout, sheet in here if count == best]
        if len(winners) > 1:
            names = ", ".join(layout.name for layout, _ in winners)
            raise KinbayError(f"Several layouts fit: {names}", remedy="Say which with --layout NAME.")
        chosen.append(_with_notes(*winners[0], name, folder))
    return chosen


def _may_fit(source: Source, layout: Layout, name: str) -> bool:
    """Whether a file's name and first characters allow a text layout, before all of it is read."""
    if layout.file.format != "text":
        return True
    pattern = layout.match.file_name
    is_named = pattern is None or fnmatch.fnmatch(name.casefold(), pattern.casefold())
    return is_named and (layout.match.text is None or layout.match.text in _text_head(source, layout))


def _with_notes(layout: Layout, sheet: Sheet, name: str, folder: str) -> Recognised:
    absent = Reshaper(layout, sheet, name, folder).absent()
    notes = (f"columns of the layout that the file lacks: {', '.join(absent)}",) if absent else ()
    return Recognised(sheet, None, layout, name, (*notes, *sheet.notes), folder)


def _head(source: Source, layout: Layout, sheet: Sheet) -> str:
    if layout.match.text is None:
        return ""
    if source.format in {"xlsx", "ods", "parquet"}:
        return "\n".join([*sheet.preamble, "\t".join(sheet.header)])[:HEAD_CHARACTERS]
    return _text_head(source, layout)


def _text_head(source: Source, layout: Layout) -> str:
    if is_pdf(source.path):
        return "\n".join(read_pdf(source.path).lines)[:HEAD_CHARACTERS]
    with source.path.open("rb") as file:
        start = file.read(HEAD_CHARACTERS * 4)
    return start.decode(marked_encoding(start) or layout.file.encoding, errors="replace")[:HEAD_CHARACTERS]


class UnknownFileError(KinbayError):
    """The file is no tidy table and follows no known layout."""


def _unknown(sheets: list[Sheet]) -> KinbayError:
    """Name the nearest table and what it lacks."""
    if not sheets:
        return UnknownFileError("The file holds no rows", remedy="Give a file with a header and rows.")
    table, missing, hint = min((nearest_table(s.header) for s in sheets), key=lambda n: len(n[1]))
    return UnknownFileError(
        f"No table and no layout fits; the nearest table is {table}, which also needs {', '.join(missing)}",
        remedy=f"Add the columns, or describe the file by a layout (pipeline/layouts/README.md).{hint}",
    )
