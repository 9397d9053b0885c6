"""The rows of one piece of a sheet, table by table: scans, codes, readings wide or long, freeze frames."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline import vocabulary
from pipeline.errors import KinbayError
from pipeline.layouts.tables import tidy_tables
from pipeline.read.headers import Places, fold_header
from pipeline.read.layout_parts import FreezeFrame, Long, Only, Wide
from pipeline.read.layouts import Layout
from pipeline.read.lines import TABLE_COLUMN
from pipeline.read.packed import decode_bytes, part_glued, pid_labels

NO_TIME = "(no time)"  # refused later: without a time the row would join another instant


@dataclass(frozen=True)
class PieceRows:
    """One piece: its cells as the file has them, and the same under their tidy names.

    Attributes
    ----------
    layout : Layout
        How the export reads.
    units : mapping
        The unit that the header or the unit row shows, by place.
    places : Places
        Where the layout's columns stand in `frame`.
    frame : polars.DataFrame
        The cells, with what was packed in them, and `line`.
    wide : polars.DataFrame
        The tidy columns of the same rows, times as ISO 8601.
    """

    layout: Layout
    units: Mapping[str, str]
    places: Places
    frame: pl.DataFrame
    wide: pl.DataFrame

    def of(self, table: str) -> pl.DataFrame:
        """Return the rows that feed a tidy table, as text; those of other kinds are left out."""
        rows = self._filled(table)
        only = self.layout.only.get(table)
        rows = rows if only is None else self._of_kind(rows, only)
        if self.layout.line and table != "scans":
            return self._of_kind(rows, Only(column=TABLE_COLUMN, words=(table,)))
        return rows

    def reading_base(self) -> pl.DataFrame:
        """Return what every reading of a row repeats; an empty time where the file has times is told as such."""
        kept = ("scan_id", "van", "reader", "scanned_at", "at", "state")
        base = self.wide.select("line", *(c for c in kept if c in self.wide.columns))
        if "at" not in self.layout.columns.values() or self.layout.line:
            return base
        is_empty = pl.col("at").fill_null("").str.strip_chars() == ""
        return base.with_columns(pl.when(is_empty).then(pl.lit(NO_TIME)).otherwise("at").alias("at"))

    def _filled(self, table: str) -> pl.DataFrame:
        if table == "scans":
            return scans_of(self.wide)
        if table == "codes":
            return self._codes()
        known = tidy_tables()[table]
        if table == "readings" and self.layout.wide:
            return self._wide_readings()
        if table == "readings" and self.layout.long:
            return self._long_readings(self.layout.long)
        if (
            "reply" in self.wide.columns
            and table in {"readings", "freeze_frames"}
            and "parameter" not in self.wide.columns
        ):
            return self.wide.clear().select("line")
        extra = set(self.wide.columns) if known.keeps_other_columns else set(known.columns)
        rows = self.wide.select("line", *(c for c in self.wide.columns if c in extra and c != "line"))
        needed = [c for c in known.required if c in rows.columns]
        if not needed:
            return rows
        return rows.filter(pl.any_horizontal(pl.col(c).str.strip_chars() != "" for c in needed))

    def _of_kind(self, rows: pl.DataFrame, only: Only) -> pl.DataFrame:
        """The rows whose cell in a column says that they are of one kind."""
        kind = self._cell(only.column)
        if kind is None:
            return rows.clear()
        words = [fold_header(w) for w in only.words]
        spelled = [w for w in kind.unique().to_list() if w is not None and fold_header(w) in words]
        lines = self.frame["line"].filter(kind.is_in(spelled))
        return rows.filter(pl.col("line").is_in(lines.implode()))

    def _wide_readings(self) -> pl.DataFrame:
        base, parts = self.reading_base(), []
        if "reply" not in self.wide.columns:
            base = base.with_columns(_numbered(base[c]) for c in base.columns if c != "line")
        for one in self.layout.wide:
            value = self._cell(one.column)
            if value is None:
                continue
            value, unit = self._parted(one, value)
            cells = {"value": value} | self._limits(one)
            rows = base.with_columns(
                pl.lit(one.parameter).alias("parameter"),
                unit.alias("unit"),
                *(s.alias(n) for n, s in cells.items()),
            )
            parts.append(rows.filter(pl.col("value").str.strip_chars() != ""))
        return pl.concat(parts, how="diagonal") if parts else base.clear()

    def _long_readings(self, long: Long) -> pl.DataFrame:
        label, value = self._cell(long.parameter), self._cell(long.value)
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
        unit = self._cell(long.unit)
        if self.layout.file.units_in_cells:
            cells["value"], glued = part_glued(value)
            unit = glued if unit is None else pl.select(pl.coalesce(glued, unit)).to_series()
        cells["unit"] = _units_of(label_given, unit, long.units)
        rows = self.reading_base().with_columns(s.alias(n) for n, s in (cells | self._limits(long)).items())
        return rows.filter(pl.col("value").str.strip_chars() != "")

    def _codes(self) -> pl.DataFrame:
        """Rows whose code is filled, one per code; a code repeated at every instant of a scan counts once."""
        known = tidy_tables()["codes"].columns
        rows = self.wide.select("line", *(c for c in self.wide.columns if c in known))
        for one in self.layout.freeze_frame:
            value = self._cell(one.column)
            if value is not None:
                value, unit = self._parted(one, value)
                rows = rows.with_columns(
                    value.alias(f"ff_{one.parameter}"), unit.alias(f"ff_unit_{one.parameter}")
                )
        if "code" not in rows.columns:
            return rows.clear()
        also = [cell for name in self.layout.codes.also if (cell := self._cell(name)) is not None]
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

    def _cell(self, column: str | None) -> pl.Series | None:
        place = self.places.get(column) if column else None
        return None if place is None else self.frame[place]

    def _parted(self, one: Wide | FreezeFrame, value: pl.Series) -> tuple[pl.Series, pl.Series]:
        """The value and its unit: glued to it, else the layout's, else that of the header or the unit row."""
        stated = one.unit or self.units.get(self.places.get(one.column) or "", "")
        if not self.layout.file.units_in_cells:
            return value, repeat(stated, len(value))
        bare, unit = part_glued(value)
        return bare, unit.fill_null(stated)

    def _limits(self, one: Wide | Long) -> dict[str, pl.Series]:
        columns = {"low": one.low, "high": one.high, "mark": one.mark}
        cells = {name: self._cell(column) for name, column in columns.items()}
        return {name: cell for name, cell in cells.items() if cell is not None}


def scans_of(wide: pl.DataFrame) -> pl.DataFrame:
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


def _units_of(label: pl.Series, unit: pl.Series | None, told: Mapping[str, str]) -> pl.Series:
    """The file's unit of every row, else the one that the layout tells for its label."""
    given = repeat("", len(label)) if unit is None else unit.fill_null("")
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


def repeat(text: str, height: int) -> pl.Series:
    """Return a column that says the same in every row."""
    return pl.repeat(text, height, dtype=pl.String, eager=True)
