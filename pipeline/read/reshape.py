"""An export under its layout into text tables under tidy names: renamed, split, wide made long.

Values stay text as they were given; only times are rewritten to ISO 8601, since the layout knows their order.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import duckdb
import polars as pl

from pipeline import vocabulary
from pipeline.errors import KinbayError
from pipeline.layouts.tables import tidy_tables
from pipeline.read.headers import fold_header
from pipeline.read.instants import Midnights, add_instant, write_iso_times
from pipeline.read.layout_parts import FreezeFrame, Long, Only, Wide, group_names
from pipeline.read.layouts import PSEUDO_COLUMNS, Layout, places_in
from pipeline.read.lines import TABLE_COLUMN
from pipeline.read.packed import decode_bytes, part_glued, pid_labels, skip_rows, unpack
from pipeline.read.replies import decode_replies
from pipeline.read.scan_begins import ScanBegins
from pipeline.read.sheets import Piece, Sheet, no_broken
from pipeline.read.streaming import Pieces, Seen, streamed

NO_TIME = "(no time)"  # refused later: without a time the row would join another instant


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
        self._check_twice()
        self._check_units()

    def absent(self) -> list[str]:
        """Return the columns that the layout names and the file lacks."""
        named = [
            *self.layout.columns,
            *(w.column for w in self.layout.wide),
            *(f.column for f in self.layout.freeze_frame),
        ]
        grouped = {fold_header(g) for e in self.layout.extract for g in group_names(e.pattern)}
        return [c for c in named if self._places.get(c) is None and fold_header(c) not in grouped]

    def targets(self) -> set[str]:
        """Return the tidy columns that the file and what is known about it can fill."""
        grouped = {g for e in self.layout.extract for g in group_names(e.pattern)}
        if self.layout.line:
            grouped |= set(self.sheet.header)
        present = {t for c, t in self.layout.columns.items() if self._places.get(c) or c in grouped}
        return present | set(self._fixed) | grouped

    def _check_twice(self) -> None:
        """A name that stands twice in the file says nothing until it is told which of the two is meant."""
        for name in self._named():
            if fold_header(name) in self._places.twice:
                raise KinbayError(
                    f"The column {name!r} stands more than once in the file",
                    remedy=f"Say which is meant in the layout: {name}#1, {name}#2.",
                )

    def _named(self) -> list[str]:
        """Every column that the layout names."""
        layout = self.layout
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

    def _check_units(self) -> None:
        """A unit row that contradicts the layout means another export than the one described."""
        for column in self.layout.wide:
            place = self._places.get(column.column) or ""
            shown = self._units.get(place, "")
            if not column.unit and not shown and self._places.units.get(place) == "":
                raise KinbayError(
                    f"The file leaves the unit of {column.column!r} empty",
                    remedy="Write the unit into the layout: unit = ... under its [[wide]].",
                )
            if column.unit and shown and vocabulary.fold_unit(shown) != vocabulary.fold_unit(column.unit):
                raise KinbayError(
                    f"The file gives {column.column!r} in {shown!r}, the layout in {column.unit!r}",
                    remedy="Correct the unit in the layout, or make another layout for this export.",
                )

    def tables(self) -> Iterator[tuple[dict[str, pl.DataFrame], Piece]]:
        """Give each piece as tidy text tables by name, beside the piece it came from."""
        pieces, is_long = streamed(self.sheet, len(self.layout.wide))
        feeds, seen = self.layout.feeds, Seen()
        begins = self._find_begins(pieces)
        scans = None
        if is_long and "scans" in feeds and "scans" not in self.layout.only:
            scans = self._find_scans(pieces, begins)
            feeds = tuple(t for t in feeds if t != "scans")
        for piece, wide, frame, missed in self._bases(pieces, begins):
            made, unread = self._reshape(wide, frame, feeds)
            if is_long and "codes" in made:
                made["codes"] = seen.fresh(made["codes"])
            if scans is not None:
                made, scans = made | {"scans": scans}, None
            yield made, Piece(piece.frame, pl.concat([piece.broken, missed, unread]), piece.read_bytes)

    def _bases(
        self, pieces: Pieces, begins: ScanBegins | None
    ) -> Iterator[tuple[Piece, pl.DataFrame, pl.DataFrame, pl.DataFrame]]:
        """Every piece, its tidy columns, its cells with what was packed in them, and the cells that do not fit."""
        midnights = Midnights() if "at_date" in self._fixed else None
        for piece in pieces():
            rows = skip_rows(piece.frame, self._places, self.layout.skip)
            frame, self._in_use, missed = unpack(rows, self._places, self.layout.extract)
            wide = add_instant(write_iso_times(self._columns(frame), self.layout, midnights), self.layout)
            if begins is not None and _lacks_begin(wide):
                wide = wide.with_columns(scanned_at=begins.begin_of(wide))
            yield piece, _map_values(wide, self.layout.values), frame, missed

    def _find_begins(self, pieces: Pieces) -> ScanBegins | None:
        """Without a scan's own time its earliest instant stands for it, which may lie in any piece."""
        begins = None
        midnights = Midnights() if "at_date" in self._fixed else None
        for piece in pieces():
            rows = skip_rows(piece.frame, self._places, self.layout.skip)
            frame, self._in_use, _ = unpack(rows, self._places, self.layout.extract)
            wide = add_instant(write_iso_times(self._columns(frame), self.layout, midnights), self.layout)
            if not _lacks_begin(wide):
                return None
            begins = begins or ScanBegins(self.layout.time.scan_gap_min)
            begins.add(wide)
        return begins

    def _find_scans(self, pieces: Pieces, begins: ScanBegins | None) -> pl.DataFrame:
        """The scans of all pieces: one that goes on in the next piece is one scan."""
        found = [
            self._reshape(wide, frame, ("scans",))[0]["scans"]
            for _, wide, frame, _ in self._bases(pieces, begins)
        ]
        return _scans(pl.concat(found, how="diagonal"))

    def _cell(self, frame: pl.DataFrame, column: str | None) -> pl.Series | None:
        place = self._in_use.get(column) if column else None
        return None if place is None else frame[place]

    def _columns(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The cells under their tidy names, filled up with what is known about the whole file."""
        base = {"line": frame["line"]}
        for column, tidy in (*self._grouped(), *self.layout.columns.items()):
            cell = self._cell(frame, column)
            if cell is not None:
                base[tidy] = cell
        for tidy, text in self._fixed.items():
            given = base.get(tidy)
            base[tidy] = _repeat(text, len(frame)) if given is None else given.fill_null(text)
        return pl.DataFrame([s.alias(n) for n, s in base.items()])

    def _reshape(
        self, wide: pl.DataFrame, frame: pl.DataFrame, feeds: Sequence[str]
    ) -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
        """The tidy tables of a piece, and the lines whose reply cannot be read."""
        made = {}
        for table in feeds:
            rows = self._rows(table, wide, frame)
            only = self.layout.only.get(table)
            made[table] = rows if only is None else self._only(rows, frame, only)
            if self.layout.line and table != "scans":
                made[table] = self._only(rows, frame, Only(column=TABLE_COLUMN, words=(table,)))
        return self._with_replies(made, wide, feeds) if "reply" in wide.columns else (made, no_broken())

    def _with_replies(
        self, made: dict[str, pl.DataFrame], wide: pl.DataFrame, feeds: Sequence[str]
    ) -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
        """Add what the replies of control units say to the tables that they feed."""
        if "at" in wide.columns:
            wide = wide.with_columns(self._reading_base(wide)["at"])
        decoded = decode_replies(wide, feeds)
        for table, rows in decoded.tables.items():
            kept = rows.select("line", *(c for c in rows.columns if c in tidy_tables()[table].columns))
            made[table] = pl.concat([made[table], kept], how="diagonal").sort("line", maintain_order=True)
        return made, decoded.unread

    def _grouped(self) -> list[tuple[str, str]]:
        """Named groups that are called like tidy columns fill them without further ado."""
        known = {c for t in self.layout.feeds for c in tidy_tables()[t].columns} | set(PSEUDO_COLUMNS)
        names = [g for e in self.layout.extract for g in group_names(e.pattern)]
        if self.layout.line:
            names += self.sheet.header
        return [(n, n) for n in dict.fromkeys(names) if n in known]

    def _only(self, rows: pl.DataFrame, frame: pl.DataFrame, only: Only) -> pl.DataFrame:
        kind = self._cell(frame, only.column)
        if kind is None:
            return rows.clear()
        words = [fold_header(w) for w in only.words]
        spelled = [w for w in kind.unique().to_list() if w is not None and fold_header(w) in words]
        lines = frame["line"].filter(kind.is_in(spelled))
        return rows.filter(pl.col("line").is_in(lines.implode()))

    def _rows(self, table: str, wide: pl.DataFrame, frame: pl.DataFrame) -> pl.DataFrame:
        if table == "scans":
            return _scans(wide)
        if table == "codes":
            return self._codes(wide, frame)
        known = tidy_tables()[table]
        if table == "readings" and self.layout.wide:
            return self._wide_readings(wide, frame)
        if table == "readings" and self.layout.long:
            return self._long_readings(wide, frame, self.layout.long)
        if (
            "reply" in wide.columns
            and table in {"readings", "freeze_frames"}
            and "parameter" not in wide.columns
        ):
            return wide.clear().select("line")
        extra = set(wide.columns) if known.keeps_other_columns else set(known.columns)
        rows = wide.select("line", *(c for c in wide.columns if c in extra and c != "line"))
        needed = [c for c in known.required if c in rows.columns]
        return (
            rows.filter(pl.any_horizontal(pl.col(c).str.strip_chars() != "" for c in needed))
            if needed
            else rows
        )

    def _reading_base(self, wide: pl.DataFrame) -> pl.DataFrame:
        kept = ("scan_id", "van", "reader", "scanned_at", "at", "state")
        base = wide.select("line", *(c for c in kept if c in wide.columns))
        if "at" not in self.layout.columns.values() or self.layout.line:
            return base
        is_empty = pl.col("at").fill_null("").str.strip_chars() == ""
        return base.with_columns(pl.when(is_empty).then(pl.lit(NO_TIME)).otherwise("at").alias("at"))

    def _wide_readings(self, wide: pl.DataFrame, frame: pl.DataFrame) -> pl.DataFrame:
        base, parts = self._reading_base(wide), []
        if "reply" not in wide.columns:
            base = base.with_columns(_numbered(base[c]) for c in base.columns if c != "line")
        for one in self.layout.wide:
            value = self._cell(frame, one.column)
            if value is None:
                continue
            value, unit = self._parted(one, value)
            cells = {"value": value} | self._limits(one, frame)
            rows = base.with_columns(
                pl.lit(one.parameter).alias("parameter"),
                unit.alias("unit"),
                *(s.alias(n) for n, s in cells.items()),
            )
            parts.append(rows.filter(pl.col("value").str.strip_chars() != ""))
        return pl.concat(parts, how="diagonal") if parts else base.clear()

    def _parted(self, one: Wide | FreezeFrame, value: pl.Series) -> tuple[pl.Series, pl.Series]:
        """The value and its unit: glued to it, else the layout's, else that of the header or the unit row."""
        stated = one.unit or self._units.get(self._in_use.get(one.column) or "", "")
        if not self.layout.file.units_in_cells:
            return value, _repeat(stated, len(value))
        bare, unit = part_glued(value)
        return bare, unit.fill_null(stated)

    def _limits(self, one: Wide | Long, frame: pl.DataFrame) -> dict[str, pl.Series]:
        columns = {"low": one.low, "high": one.high, "mark": one.mark}
        cells = {name: self._cell(frame, column) for name, column in columns.items()}
        return {name: cell for name, cell in cells.items() if cell is not None}

    def _long_readings(self, wide: pl.DataFrame, frame: pl.DataFrame, long: Long) -> pl.DataFrame:
        label, value = self._cell(frame, long.parameter), self._cell(frame, long.value)
        if label is None or value is None:
            raise KinbayError(
                f"The file lacks {long.parameter!r} or {long.value!r}", remedy="Check [long] in the layout."
            )
        own = {fold_header(k): v for k, v in long.labels.items()}
        label_given = label
        turned = {w: own.get(fold_header(w), w) for w in label.drop_nulls().unique().to_list()}
        label = label.replace_strict(turned, default=None, return_dtype=pl.String)
        label = pid_labels(label) if long.pids else label
        if long.bytes:
            value = decode_bytes(label, value)
        cells = {"parameter": label, "value": value}
        unit = self._cell(frame, long.unit)
        if self.layout.file.units_in_cells:
            cells["value"], glued = part_glued(value)
            unit = glued if unit is None else pl.select(pl.coalesce(glued, unit)).to_series()
        cells["unit"] = _units_of(label_given, unit, long.units)
        rows = self._reading_base(wide).with_columns(
            s.alias(n) for n, s in (cells | self._limits(long, frame)).items()
        )
        return rows.filter(pl.col("value").str.strip_chars() != "")

    def _codes(self, wide: pl.DataFrame, frame: pl.DataFrame) -> pl.DataFrame:
        """Rows whose code is filled, one per code; a code repeated at every instant of a scan counts once."""
        known = tidy_tables()["codes"].columns
        rows = wide.select("line", *(c for c in wide.columns if c in known))
        for one in self.layout.freeze_frame:
            value = self._cell(frame, one.column)
            if value is not None:
                value, unit = self._parted(one, value)
                rows = rows.with_columns(
                    value.alias(f"ff_{one.parameter}"), unit.alias(f"ff_unit_{one.parameter}")
                )
        if "code" not in rows.columns:
            return rows.clear()
        also = [cell for name in self.layout.codes.also if (cell := self._cell(frame, name)) is not None]
        rows = pl.concat([rows, *(rows.with_columns(code=cell) for cell in also)])
        rows = rows.sort("line", maintain_order=True) if also else rows
        if self.layout.codes.split:
            lists = rows.with_columns(pl.col("code").str.split(self.layout.codes.split))
            rows = lists.explode("code", empty_as_null=True, keep_nulls=False)
        rows = rows.filter(pl.col("code").str.strip_chars() != "")
        missing = [vocabulary.fold(w) for w in self.layout.file.missing]
        words = [w for w in rows["code"].unique().to_list() if _is_no_code(w, missing)]
        rows = rows.filter(~pl.col("code").is_in(words))
        return rows.unique([c for c in rows.columns if c != "line"], keep="first", maintain_order=True)


def _units_of(label: pl.Series, unit: pl.Series | None, told: Mapping[str, str]) -> pl.Series:
    """The file's unit of every row, else the one that the layout tells for its label."""
    given = _repeat("", len(label)) if unit is None else unit.fill_null("")
    if not told:
        return given
    own = {fold_header(k): v for k, v in told.items()}
    turned = {w: own.get(fold_header(w), "") for w in label.drop_nulls().unique().to_list()}
    instead = label.replace_strict(turned, default="", return_dtype=pl.String)
    return pl.select(pl.when(given.str.strip_chars() == "").then(instead).otherwise(given)).to_series()


def _is_no_code(word: str, missing: list[str]) -> bool:
    """A dash, or one of the layout's own words for "no value"."""
    return not word.strip().strip("-–—") or vocabulary.fold(word) in [m for m in missing if m]


def _numbered(given: pl.Series) -> pl.Series:
    """Texts that every reading of a row will repeat, as numbers of the different ones."""
    return given.cast(pl.Enum(given.unique(maintain_order=True).drop_nulls()))


def _lacks_begin(wide: pl.DataFrame) -> bool:
    return "at" in wide.columns and "scanned_at" not in wide.columns


def _repeat(text: str, height: int) -> pl.Series:
    return pl.repeat(text, height, dtype=pl.String, eager=True)


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


def _scans(wide: pl.DataFrame) -> pl.DataFrame:
    """One row per scan: the first filled cell of each of its columns."""
    known = [c for c in wide.columns if c in tidy_tables()["scans"].columns]
    keys: list[str] = [c for c in ("scan_id", "reader") if c in known]
    if "scan_id" not in keys:
        keys = [c for c in ("van", "reader", "scanned_at") if c in known]
    filled = [
        pl.col(c).filter(pl.col(c).str.strip_chars() != "").first().alias(c) for c in known if c not in keys
    ]
    grouped = wide.group_by(keys, maintain_order=True).agg(pl.col("line").min(), *filled)
    named = grouped.filter(
        pl.any_horizontal(pl.col(k).str.strip_chars() != "" for k in keys if k != "reader")
    )
    return named.select("line", *known)
