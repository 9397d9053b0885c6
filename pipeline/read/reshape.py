"""An export under its layout into text tables under tidy names: renamed, split, wide made long.

Values stay text as they were given; only times are rewritten to ISO 8601, since the layout knows their order.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import duckdb
import polars as pl

from pipeline import vocabulary
from pipeline.errors import KinbayError
from pipeline.layouts.tables import tidy_tables
from pipeline.read.headers import Places
from pipeline.read.instants import Midnights, add_instant, write_iso_times
from pipeline.read.layout_fit import absent_columns, check_fit
from pipeline.read.layout_parts import group_names
from pipeline.read.layouts import PSEUDO_COLUMNS, Layout, places_in
from pipeline.read.packed import skip_rows, unpack
from pipeline.read.piece_rows import PieceRows, repeat, scans_of
from pipeline.read.replies import decode_replies
from pipeline.read.scan_begins import ScanBegins
from pipeline.read.sheets import Piece, Sheet, no_broken
from pipeline.read.streaming import Pieces, Seen, streamed


class Reshaper:
    """Turns the pieces of one sheet into tidy text tables.

    Parameters
    ----------
    layout : Layout
        How the export reads.
    sheet : Sheet
        The sheet, its header as the file has it.
    file_name : str
        The file's name without folders.
    folder : str
        The folder the file came from.
    facts : mapping, optional
        Tidy columns that a person told about this file, such as its van.
    """

    def __init__(
        self,
        layout: Layout,
        sheet: Sheet,
        file_name: str,
        folder: str = "",
        facts: Mapping[str, str] | None = None,
    ) -> None:
        self.layout = layout
        self.sheet = sheet
        self._places = places_in(layout, sheet.header)
        self._fixed = dict(layout.constants)
        self._fixed |= _captured(layout.preamble, "\n".join(sheet.preamble))
        self._fixed |= _captured(layout.file_name, file_name)
        self._fixed |= _captured(layout.folder, folder)
        self._fixed |= facts or {}
        row = dict(zip((str(i) for i in range(len(sheet.header))), sheet.units or (), strict=False))
        self._units = {k: v for k, v in self._places.units.items() if v} | {k: v for k, v in row.items() if v}
        check_fit(layout, self._places, self._units)

    def absent(self) -> list[str]:
        """Return the columns that the layout names and the file lacks."""
        return absent_columns(self.layout, self._places)

    def targets(self) -> set[str]:
        """Return the tidy columns that the file and what is known about it can fill."""
        grouped = {g for e in self.layout.extract for g in group_names(e.pattern)}
        if self.layout.line:
            grouped |= set(self.sheet.header)
        present = {t for c, t in self.layout.columns.items() if self._places.get(c) or c in grouped}
        return present | set(self._fixed) | grouped

    def tables(self) -> Iterator[tuple[dict[str, pl.DataFrame], Piece]]:
        """Give each piece as tidy text tables by name, beside the piece it came from."""
        pieces, is_long = streamed(self.sheet, len(self.layout.wide))
        feeds, seen = self.layout.feeds, Seen()
        begins = self._find_begins(pieces)
        scans = None
        if is_long and "scans" in feeds and "scans" not in self.layout.only:
            found = [self._made(rows, ("scans",))[0]["scans"] for _, rows, _ in self._begun(pieces, begins)]
            scans = scans_of(
                pl.concat(found, how="diagonal")
            )  # one that goes on in the next piece is one scan
            feeds = tuple(t for t in feeds if t != "scans")
        for piece, rows, missed in self._begun(pieces, begins):
            made, unread = self._made(rows, feeds)
            if is_long and "codes" in made:
                made["codes"] = seen.fresh(made["codes"])
            if scans is not None:
                made, scans = made | {"scans": scans}, None
            yield made, Piece(piece.frame, pl.concat([piece.broken, missed, unread]), piece.read_bytes)

    def _unpacked(self, pieces: Pieces) -> Iterator[tuple[Piece, PieceRows, pl.DataFrame]]:
        """Every piece, its rows with what was packed in their cells, and the cells that do not fit."""
        midnights = Midnights() if "at_date" in self._fixed else None
        for piece in pieces():
            kept = skip_rows(piece.frame, self._places, self.layout.skip)
            frame, places, missed = unpack(kept, self._places, self.layout.extract)
            timed = write_iso_times(self._columns(frame, places), self.layout, midnights)
            wide = add_instant(timed, self.layout)
            yield piece, PieceRows(self.layout, self._units, places, frame, wide), missed

    def _begun(
        self, pieces: Pieces, begins: ScanBegins | None
    ) -> Iterator[tuple[Piece, PieceRows, pl.DataFrame]]:
        """The same under the layout's words, every row with the time its scan began."""
        for piece, rows, missed in self._unpacked(pieces):
            wide = rows.wide
            if begins is not None and _lacks_begin(wide):
                wide = wide.with_columns(scanned_at=begins.begin_of(wide))
            yield piece, replace(rows, wide=_map_values(wide, self.layout.values)), missed

    def _find_begins(self, pieces: Pieces) -> ScanBegins | None:
        """Without a scan's own time its earliest instant stands for it, which may lie in any piece."""
        begins = None
        for _, rows, _ in self._unpacked(pieces):
            if not _lacks_begin(rows.wide):
                return None
            begins = begins or ScanBegins(self.layout.time.scan_gap_min)
            begins.add(rows.wide)
        return begins

    def _columns(self, frame: pl.DataFrame, places: Places) -> pl.DataFrame:
        """The cells under their tidy names, filled up with what is known about the whole file."""
        base = {"line": frame["line"]}
        for column, tidy in (*self._grouped(), *self.layout.columns.items()):
            place = places.get(column)
            if place is not None:
                base[tidy] = frame[place]
        for tidy, text in self._fixed.items():
            given = base.get(tidy)
            base[tidy] = repeat(text, len(frame)) if given is None else given.fill_null(text)
        return pl.DataFrame([s.alias(n) for n, s in base.items()])

    def _made(self, rows: PieceRows, feeds: Sequence[str]) -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
        """The tidy tables of a piece, and the lines whose reply cannot be read."""
        made = {table: rows.of(table) for table in feeds}
        if "reply" not in rows.wide.columns:
            return made, no_broken()
        wide = rows.wide
        if "at" in wide.columns:
            wide = wide.with_columns(rows.reading_base()["at"])
        decoded = decode_replies(wide, feeds)
        for table, said in decoded.tables.items():
            kept = said.select("line", *(c for c in said.columns if c in tidy_tables()[table].columns))
            made[table] = pl.concat([made[table], kept], how="diagonal").sort("line", maintain_order=True)
        return made, decoded.unread

    def _grouped(self) -> list[tuple[str, str]]:
        """Named groups that are called like tidy columns fill them without further ado."""
        known = {c for t in self.layout.feeds for c in tidy_tables()[t].columns} | set(PSEUDO_COLUMNS)
        names = [g for e in self.layout.extract for g in group_names(e.pattern)]
        if self.layout.line:
            names += self.sheet.header
        return [(n, n) for n in dict.fromkeys(names) if n in known]


def _lacks_begin(wide: pl.DataFrame) -> bool:
    return "at" in wide.columns and "scanned_at" not in wide.columns


def _captured(patterns: Mapping[str, str], text: str) -> dict[str, str]:
    """What the layout's expressions find in a text; RE2, so that no expression can run away."""
    found: dict[str, str] = {}
    if not patterns:
        return found
    with duckdb.connect() as connection:
        for column, pattern in patterns.items():
            try:
                row = connection.execute("select regexp_extract($1, $2, 1)", [text, pattern]).fetchall()
            except duckdb.Error as error:
                raise KinbayError(
                    "An expression of the layout cannot be used",
                    f"{column}: {pattern}",
                    "It needs one group in brackets.",
                ) from error
            if row[0][0].strip():
                found[column] = row[0][0].strip()
    return found


def _map_values(wide: pl.DataFrame, values: Mapping[str, Mapping[str, str]]) -> pl.DataFrame:
    """The file's words for a column into tidy words; words that are not listed stay."""
    for column, words in values.items():
        if column in wide.columns:
            own = {vocabulary.fold(k): v for k, v in words.items()}
            spelled = wide[column].drop_nulls().unique().to_list()
            turned = {w: own.get(vocabulary.fold(w), w) for w in spelled}
            wide = wide.with_columns(
                pl.col(column).replace_strict(turned, default=None, return_dtype=pl.String)
            )
    return wide
