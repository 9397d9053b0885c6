"""Delimited text (CSV, TSV): streamed in blocks, every cell as text, every line number true."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import KinbayError
from pipeline.read.records import LONGEST_RECORD_BYTES, Framed, frame_records
from pipeline.read.sheets import (
    BROKEN_SCHEMA,
    LONGEST_CELL,
    MOST_COLUMNS,
    Piece,
    Sheet,
    no_broken,
    part_long_cells,
)

BLOCK_BYTES = 16 * 2**20
HEAD_BYTES = 2**20
MOST_PREAMBLE_LINES = 400
DELIMITERS = (",", ";", "\t")
_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


@dataclass(frozen=True)
class Dialect:
    """How a text file is written; None for the delimiter means: the one that parts the header most.

    `finds` says whether a line's cells are the header (it is then looked for in the first lines); `names` are
    the columns of a file without one; `short_rows` lets rows end early, their last cells being empty.
    """

    encoding: str = "utf-8"
    delimiter: str | None = None
    skip_rows: int = 0
    unit_row: bool = False
    finds: Callable[[tuple[str, ...]], bool] | None = None
    names: tuple[str, ...] = ()
    short_rows: bool = False


def _encoding(path: Path, stated: str) -> str:
    """The stated encoding, or what the file's byte order mark says."""
    with path.open("rb") as file:
        return marked_encoding(file.read(4)) or stated


def marked_encoding(start: bytes) -> str | None:
    """Return the encoding that a file's first bytes mark, or None."""
    return next((name for mark, name in _BOMS if start.startswith(mark)), None)


def _blocks(path: Path, encoding: str, size: int) -> Iterator[bytes]:
    """The file as UTF-8 bytes with LF line ends, whatever its encoding."""
    if encoding in {"utf-8", "utf-8-sig"}:
        with path.open("rb") as file:
            if encoding == "utf-8-sig":
                file.read(3)
            held = b""
            while block := file.read(size):
                block, held = held + block, b""
                if block.endswith(b"\r"):
                    block, held = block[:-1], b"\r"
                yield _plain_ends(block)
            if held:
                yield b"\n"
        return
    try:
        with path.open(encoding=encoding, newline=None) as text:
            while part := text.read(size):
                yield part.encode("utf-8")
    except UnicodeError as error:
        raise _wrong_encoding(path, encoding) from error
    except LookupError as error:
        raise KinbayError(
            f"There is no encoding called {encoding!r}", remedy="Correct it in the layout."
        ) from error


def _plain_ends(block: bytes) -> bytes:
    if b"\r" not in block:
        return block
    return block.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _wrong_encoding(path: Path, encoding: str, line: int | None = None) -> KinbayError:
    """Name the likely encoding, so that a person can save the file anew or write it into a layout."""
    import charset_normalizer

    with path.open("rb") as file:
        best = charset_normalizer.from_bytes(file.read(2**18)).best()
    likely = f"; it looks like {best.encoding}" if best and best.encoding not in {encoding, "utf_8"} else ""
    return KinbayError(
        f"The text is not {encoding}{likely}",
        f"line {line}" if line else "",
        "Save it as CSV UTF-8, or describe it by a layout with [file] encoding.",
    )


def open_delimited(path: Path, dialect: Dialect) -> Sheet:
    """Read the header of a text file; the rows are read when the sheet's pieces are.

    Raises
    ------
    KinbayError
        Where the file is empty, not text, or not in the stated encoding.
    """
    encoding = _encoding(path, dialect.encoding)
    head = b""
    for block in _blocks(path, encoding, HEAD_BYTES):
        head += block
        if len(head) >= HEAD_BYTES:
            break
    is_whole = len(head) < HEAD_BYTES
    if b"\x00" in head and encoding in {"utf-8", "utf-8-sig"}:
        raise KinbayError(
            "This is not a text file", remedy="Give a CSV, XLSX, ODS, JSON lines or Parquet file."
        )
    _check_utf8(path, head if is_whole else head[: head.rfind(b"\n") + 1], 1, encoding)
    skip = dialect.skip_rows if dialect.finds is None else _find_header(head, dialect)
    preamble, start, line = _preamble(head, skip)
    end = _record_end(head, start, is_whole=is_whole)
    delimiter = dialect.delimiter or _guess_delimiter(head[start:end])
    header = dialect.names or _cells(head[start:end], delimiter)
    if not dialect.names:
        line, start = line + head.count(b"\n", start, end), end
    units = None
    if dialect.unit_row:
        end = _record_end(head, start, is_whole=is_whole)
        units = (_cells(head[start:end], delimiter) + ("",) * len(header))[: len(header)]
        line, start = line + head.count(b"\n", start, end), end
    header = _trailing(header, head, start, delimiter, is_whole=is_whole)
    if len(header) > MOST_COLUMNS:
        raise KinbayError(f"The header has {len(header)} cells", remedy=f"Keep to {MOST_COLUMNS} columns.")

    def pieces() -> Iterator[Piece]:
        return _pieces(path, encoding, delimiter, len(header), start, line, fills=dialect.short_rows)

    return Sheet("", header, pieces, preamble, units)


def _trailing(
    header: tuple[str, ...], head: bytes, start: int, delimiter: str, *, is_whole: bool
) -> tuple[str, ...]:
    """Match the header to rows that end with a delimiter where it does not, or the other way round."""
    if start >= len(head):
        return header
    try:
        first = _cells(head[start : _record_end(head, start, is_whole=is_whole)], delimiter)
    except KinbayError:
        return header
    if len(first) == len(header) + 1 and first[-1].strip() == "":
        return (*header, "")
    if len(first) == len(header) - 1 and header[-1].strip() == "" and first[-1].strip() != "":
        return header[:-1]
    return header


def _find_header(head: bytes, dialect: Dialect) -> int:
    """The lines above the first one whose cells are the header."""
    delimiter = dialect.delimiter or ","
    for number, line in enumerate(head.split(b"\n")[:MOST_PREAMBLE_LINES]):
        if dialect.finds is not None and dialect.finds(_cells(line, delimiter)):
            return number
    raise KinbayError(
        f"None of the first {MOST_PREAMBLE_LINES} lines holds the headers",
        remedy="Check [match] in the layout.",
    )


def decode_whole(path: Path, stated: str) -> str:
    """Return a whole text file with LF line ends.

    Raises
    ------
    KinbayError
        Where it is not text, or not in the stated encoding.
    """
    encoding = _encoding(path, stated)
    data = b"".join(_blocks(path, encoding, HEAD_BYTES))
    if b"\x00" in data:
        raise KinbayError(
            "This is not a text file", remedy="Give a text, CSV, XLSX, ODS, JSON or Parquet file."
        )
    _check_utf8(path, data, 1, encoding)
    return data.decode("utf-8")


def _check_utf8(path: Path, block: bytes, first_line: int, encoding: str) -> None:
    if block.isascii():
        return
    try:
        block.decode("utf-8")
    except UnicodeDecodeError as error:
        raise _wrong_encoding(path, encoding, first_line + block.count(b"\n", 0, error.start)) from error


def _preamble(head: bytes, skip_rows: int) -> tuple[tuple[str, ...], int, int]:
    """The lines above the header, where the header begins, and on which line; blank lines on top are passed."""
    start, line = 0, 1
    for _ in range(skip_rows):
        end = head.find(b"\n", start) + 1
        if end == 0:
            raise KinbayError("The file ends before its header", remedy="Check skip_rows in the layout.")
        start, line = end, line + 1
    skipped = head[:start].decode("utf-8", errors="replace")
    while start < len(head) and head[start : start + 1] == b"\n":
        start, line = start + 1, line + 1
    if not head[start:].strip():
        raise KinbayError("The file is empty", remedy="Give a file with a header and rows.")
    return tuple(skipped.splitlines()), start, line


def _record_end(head: bytes, start: int, *, is_whole: bool) -> int:
    """Where the record that begins at `start` ends: after the first line end outside quotes."""
    end = head.find(b"\n", start)
    while end >= 0 and head.count(b'"', start, end) % 2:
        end = head.find(b"\n", end + 1)
    if end >= 0:
        return end + 1
    if is_whole and head.count(b'"', start) % 2 == 0:
        return len(head)
    raise KinbayError("The header does not end", remedy="Check the quotation marks in the header.")


def _cells(record: bytes, delimiter: str) -> tuple[str, ...]:
    text = record.decode("utf-8", errors="replace").rstrip("\n")
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as error:
        raise KinbayError(
            "The header cannot be read", str(error), "Check that it is a table as text."
        ) from error
    return tuple(rows[0]) if rows else ()


def _guess_delimiter(record: bytes) -> str:
    return max(DELIMITERS, key=lambda d: len(_cells(record, d)))


def _pieces(
    path: Path, encoding: str, delimiter: str, columns: int, skip: int, line: int, *, fills: bool
) -> Iterator[Piece]:
    """Read block by block; what a block leaves over begins the next one."""
    rest, blocks = b"", _blocks(path, encoding, BLOCK_BYTES)
    following: bytes | None = next(blocks, None)
    while following is not None:
        block = rest + following
        following = next(blocks, None)
        if skip:
            cut = min(skip, len(block))
            block, skip = block[cut:], skip - cut
        framed = frame_records(block, delimiter, columns, line, is_last=following is None, fills=fills)
        _check_utf8(path, block[: framed.used], line, encoding)
        yield Piece(*_frame(framed, delimiter, columns), read_bytes=framed.used)
        rest, line = block[framed.used :], line + framed.line_count
        if len(rest) > LONGEST_RECORD_BYTES + BLOCK_BYTES:
            where = f"line {line}"
            raise KinbayError(
                "A line is longer than a mebibyte", where, "Check the quotation marks and line ends."
            )


def _frame(framed: Framed, delimiter: str, columns: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A framed block as text cells and broken lines."""
    broken = no_broken()
    if framed.broken:
        rows = [(b.line, b.text, b.reason, b.remedy) for b in framed.broken]
        broken = pl.DataFrame(rows, schema=BROKEN_SCHEMA, orient="row")
    names = [str(i) for i in range(columns)]
    if not len(framed.lines):
        return pl.DataFrame(schema={"line": pl.Int64} | dict.fromkeys(names, pl.String)), broken
    cells = pl.read_csv(
        framed.clean,
        has_header=False,
        infer_schema=False,
        separator=delimiter,
        quote_char='"' if b'"' in framed.clean else None,
        new_columns=names,
    )
    if len(cells) != len(framed.lines):
        raise KinbayError(
            "The lines cannot be split into cells", remedy="Check the quotation marks in the file."
        )
    frame = cells.insert_column(0, pl.Series("line", framed.lines))
    if framed.longest > LONGEST_CELL:
        frame, long = part_long_cells(frame)
        broken = pl.concat([broken, long])
    return frame, broken
