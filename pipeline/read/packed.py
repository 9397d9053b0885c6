"""Cells that hold more than one thing: facts packed in a text, a unit glued to its value, bytes of a standard reply."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline import vocabulary
from pipeline.read.headers import Places, fold_header
from pipeline.read.layout_parts import Extract, Skip, group_names
from pipeline.read.sheets import BROKEN_SCHEMA, no_broken

_GLUED = r"^\s*(?P<value>[+\-\x{2212}]?[\d.,'\x{a0}\x{2009}\x{202f} ]*\d[.,]?(?:[eE][+-]?\d+)?-?)\s*(?P<unit>[^\d\s.,'+\-].*?)?\s*$"
NOT_PACKED_SO = "The cell is not written as the layout's expression expects; the rest of the row was taken"
PACKED_REMEDY = "Correct the expression under [[extract]], or mark it optional = true."


def unpack(
    frame: pl.DataFrame, places: Places, extracts: Sequence[Extract]
) -> tuple[pl.DataFrame, Places, pl.DataFrame]:
    """Add a column for every named group of the layout's expressions.

    Returns
    -------
    tuple
        The frame with the new columns, the places with their names, and the cells that no expression of
        their column fits, as `BROKEN_SCHEMA`.
    """
    by_name, missed = dict(places.by_name), no_broken()
    for column in dict.fromkeys(e.column for e in extracts):
        place = places.get(column)
        if place is None:
            continue
        mine = [e for e in extracts if e.column == column]
        for one in mine:
            found = frame[place].str.extract_groups(one.pattern).struct.unnest()
            for name in group_names(one.pattern):
                cell = _filled(found[name]).alias(f"group {name}")
                if cell.name in frame.columns:
                    cell = pl.select(pl.coalesce(frame[cell.name], cell)).to_series().alias(cell.name)
                frame = frame.with_columns(cell)
                by_name[fold_header(name)] = cell.name
        if not any(e.optional for e in mine):
            missed = pl.concat([missed, _missed(frame, place, [e.pattern for e in mine])])
    return frame, Places(by_name, places.units, places.twice), missed


def _filled(cell: pl.Series) -> pl.Series:
    bare = cell.str.strip_chars()
    return pl.select(pl.when(bare != "").then(bare)).to_series()


def _missed(frame: pl.DataFrame, place: str, patterns: Sequence[str]) -> pl.DataFrame:
    text = pl.col(place)
    fits = pl.any_horizontal(text.str.contains(p) for p in patterns)
    rows = frame.filter((text.str.strip_chars() != "") & ~fits)
    return rows.select(
        "line", value=text.str.slice(0, 200), reason=pl.lit(NOT_PACKED_SO), remedy=pl.lit(PACKED_REMEDY)
    ).select(BROKEN_SCHEMA.keys())


def skip_rows(frame: pl.DataFrame, places: Places, skips: Sequence[Skip]) -> pl.DataFrame:
    """Leave out rows that are no data, such as totals."""
    for one in skips:
        place = places.get(one.column)
        if place is None:
            continue
        words = [fold_header(w) for w in one.words]
        spelled = [w for w in frame[place].unique().to_list() if w is not None and fold_header(w) in words]
        is_out = pl.col(place).is_in(spelled)
        if one.pattern is not None:
            is_out |= pl.col(place).str.contains(one.pattern)
        frame = frame.filter(~is_out.fill_null(value=False))
    return frame


def part_glued(value: pl.Series) -> tuple[pl.Series, pl.Series]:
    """Part values such as `13,8 V` into number and unit; what is no such text stays, without a unit."""
    found = value.str.extract_groups(_GLUED).struct.unnest()
    bare = pl.select(pl.coalesce(found["value"].str.strip_chars(), value)).to_series()
    return bare, _filled(found["unit"])


def pid_labels(label: pl.Series) -> pl.Series:
    """Identifiers of SAE J1979 service 01 (`0C`, `0x0C`, `01 0C`, `010C`) into readings; others stay."""
    known = {pid: p.key for pid, p in vocabulary.by_pid().items()}
    bare = label.str.strip_chars().str.to_uppercase().str.replace_all(r"^0X|\s", "")
    bare = bare.str.replace(r"^01([0-9A-F]{2})$", "${1}")
    turned = bare.replace_strict(known, default=None, return_dtype=pl.String)
    return pl.select(pl.coalesce(turned, label)).to_series()


def decode_bytes(parameter: pl.Series, data: pl.Series) -> pl.Series:
    """Bytes of a service 01 reply as hexadecimal text into values in the reading's own unit, as text.

    Bytes of another number than the reading has, and readings whose scaling is not certain, stay as they are
    and are refused later as no number.
    """
    pairs = pl.DataFrame({"parameter": parameter, "data": data}).unique()
    turned = {
        (p, d): vocabulary.decode_pid_bytes(p, d)
        for p, d in pairs.iter_rows()
        if p is not None and d is not None
    }
    rows = [(p, d, v if v is not None else f"bytes {d}") for (p, d), v in turned.items()]
    table = pl.DataFrame(
        rows, schema={"parameter": pl.String, "data": pl.String, "text": pl.String}, orient="row"
    )
    joined = pl.DataFrame({"parameter": parameter, "data": data}).join(
        table, on=["parameter", "data"], how="left", maintain_order="left"
    )
    return joined["text"]
