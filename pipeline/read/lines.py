"""Text reports line by line: each line is given to the layout's expressions, the first that fits takes it.

A line with a `table` becomes a row of that table. A line without one says something that holds for what stands
below it; what belongs to the scan as a whole (van, time, odometer) holds for its whole scan, above and below.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.errors import KinbayError
from pipeline.layouts.tables import tidy_tables
from pipeline.read.delimited import decode_whole
from pipeline.read.layout_parts import Line, group_names
from pipeline.read.layouts import PSEUDO_COLUMNS, Layout
from pipeline.read.pdf_text import is_pdf, read_pdf
from pipeline.read.sheets import BROKEN_SCHEMA, Piece, Sheet

MOST_BYTES = 64 * 2**20
PREAMBLE_LINES = 400
TABLE_COLUMN = "table"
NOT_READ = "No [[line]] of the layout takes this line, though it holds a trouble code"
REMEDY = "Add a [[line]] for it, or an [file] ignore expression if it is no data."
_LOOKS_LIKE_CODE = r"\b[PCBU][0-3][0-9A-F]{3}\b"


def open_text(path: Path, layout: Layout) -> Sheet:
    """Read a text report by its layout's `[[line]]` expressions.

    Raises
    ------
    KinbayError
        Where the file is too large for a report, not text, or not in the stated encoding.
    """
    if is_pdf(path):
        text = read_pdf(path)
        return replace(sheet_of_lines(text.lines, layout), pages=text.pages)
    if path.stat().st_size > MOST_BYTES:
        raise KinbayError(
            "The text is too large for a report", remedy=f"Keep to {MOST_BYTES // 2**20} MiB a file."
        )
    return sheet_of_lines(decode_whole(path, layout.file.encoding).split("\n"), layout)


def sheet_of_lines(lines: Sequence[str], layout: Layout) -> Sheet:
    """Make a sheet of text lines, whatever they were extracted from.

    Parameters
    ----------
    lines : sequence of str
        Every line in order, blank ones too, so that line numbers are true.
    layout : Layout
        With `[[line]]` expressions.

    Returns
    -------
    Sheet
        One column per named group and `table`, one row per line that an expression took.
    """
    given = pl.DataFrame({"text": list(lines)}, schema={"text": pl.String}).with_row_index("line", offset=1)
    given = given.cast({"line": pl.Int64}).filter(pl.col("text").str.strip_chars() != "")
    taken = _take(given, layout.line)
    names = list(dict.fromkeys(n for one in layout.line for n in _names(one)))
    if any(one.module_answers for one in layout.line):
        names.append("modules")
    frame = _carry(taken, layout.line, names)
    rest, notes = _unread(given, taken, layout.file.ignore)
    header = (*names, TABLE_COLUMN)

    def pieces() -> Iterator[Piece]:
        cells = frame.select("line", *(pl.col(n).alias(str(i)) for i, n in enumerate(header)))
        yield Piece(cells, rest)

    return Sheet("", header, pieces, tuple(lines[:PREAMBLE_LINES]), notes=notes)


def _names(one: Line) -> list[str]:
    try:
        return group_names(one.pattern)
    except ValueError:
        return []


def _take(given: pl.DataFrame, kinds: Sequence[Line]) -> pl.DataFrame:
    """The lines that an expression takes, with its number."""
    which = pl.lit(None, pl.Int64)
    for number in reversed(range(len(kinds))):
        which = pl.when(pl.col("text").str.contains(kinds[number].pattern)).then(number).otherwise(which)
    return given.with_columns(which.alias("kind")).filter(pl.col("kind").is_not_null())


def _unread(
    given: pl.DataFrame, taken: pl.DataFrame, ignore: Sequence[str]
) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Lines that nothing takes: those with a code are named one by one, the others counted."""
    rest = given.join(taken.select("line"), on="line", how="anti", maintain_order="left")
    for pattern in ignore:
        rest = rest.filter(~pl.col("text").str.contains(pattern))
    has_code = pl.col("text").str.contains(_LOOKS_LIKE_CODE)
    others = rest.filter(~has_code)
    notes: tuple[str, ...] = ()
    if len(others):
        line, text = others.select("line", "text").row(0)
        notes = (f"{len(others)} lines were not read; the first is line {line}: {text.strip()[:60]!r}",)
    named = rest.filter(has_code).select(
        "line", value=pl.col("text").str.slice(0, 200), reason=pl.lit(NOT_READ), remedy=pl.lit(REMEDY)
    )
    return named.select(BROKEN_SCHEMA.keys()), notes


def _carry(taken: pl.DataFrame, kinds: Sequence[Line], names: Sequence[str]) -> pl.DataFrame:
    """Every taken line with its own groups, and with what the lines above it said."""
    frame = taken.with_columns(
        pl.col("kind").is_in([i for i, one in enumerate(kinds) if one.begins_scan]).cum_sum().alias("scan")
    )
    own = [_groups(frame, i, one) for i, one in enumerate(kinds)]
    tables = pl.Series([one.table for one in kinds], dtype=pl.String)
    frame = frame.with_columns(tables.gather(frame["kind"]).alias(TABLE_COLUMN))
    whole = {*tidy_tables()["scans"].columns, *PSEUDO_COLUMNS} - {"note"}
    for name in names:
        mine = [i for i, groups in enumerate(own) if name in groups]
        said = [pl.when(pl.col("kind") == i).then(pl.lit(own[i][name])) for i in mine]
        facts = pl.col("kind").is_in([i for i in mine if kinds[i].table is None])
        frame = frame.with_columns((pl.coalesce(said) if said else pl.lit(None, pl.String)).alias(f"_{name}"))
        below = pl.when(facts).then(f"_{name}").forward_fill().over("scan")
        above = pl.when(facts).then(f"_{name}").backward_fill().over("scan")
        filled = pl.coalesce(f"_{name}", below, above) if name in whole else pl.coalesce(f"_{name}", below)
        frame = frame.with_columns(filled.alias(f"_{name}"))
    frame = frame.drop("text").rename({f"_{n}": n for n in names})
    return _answering(frame, kinds) if "modules" in names else frame


def _groups(frame: pl.DataFrame, number: int, one: Line) -> dict[str, pl.Series]:
    """What one expression finds in its own lines; empty text counts as nothing."""
    names = _names(one)
    if not names:
        return {}
    text = pl.select(pl.when(frame["kind"] == number).then(frame["text"])).to_series()
    found = text.str.extract_groups(one.pattern).struct.unnest()
    return {n: _filled(found[n]) for n in names}


def _filled(cell: pl.Series) -> pl.Series:
    bare = cell.str.strip_chars()
    return pl.select(pl.when(bare != "").then(bare)).to_series()


def _answering(frame: pl.DataFrame, kinds: Sequence[Line]) -> pl.DataFrame:
    """The modules that the report lists as answering, one list a scan."""
    saying = [i for i, one in enumerate(kinds) if one.module_answers]
    listed = (
        frame.filter(pl.col("kind").is_in(saying) & pl.col("module").is_not_null())
        .group_by("scan", maintain_order=True)
        .agg(pl.col("module").unique(maintain_order=True).str.join(";").alias("listed"))
    )
    joined = frame.join(listed, on="scan", how="left", maintain_order="left")
    return joined.with_columns(pl.coalesce("modules", "listed").alias("modules")).drop("listed")
