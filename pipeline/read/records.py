"""Records of delimited text: where each begins, on which line, and which are broken; quoting by RFC 4180.

Works on whole blocks of bytes with numpy: a line end counts where it stands outside quotes. A quote that
opens in the middle of a field, or whose field goes on after the closing quote, breaks its own line only:
reading goes on at the next line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LONGEST_RECORD_BYTES = 2**20
STRAY_QUOTE = "A quotation mark stands where none may"
QUOTE_REMEDY = 'Put the whole cell in quotation marks and double those inside: "5"" pipe".'
_LINE_END, _RETURN, _QUOTE = 10, 13, 34
Positions = NDArray[np.int64]


@dataclass(frozen=True)
class Broken:
    """A record that cannot be split into cells: first line, text, reason, remedy."""

    line: int
    text: str
    reason: str
    remedy: str


@dataclass(frozen=True)
class Framed:
    """A block's whole records.

    Parameters
    ----------
    clean : bytes
        The records with the right number of cells, each ended by a line end.
    lines : ndarray of int64
        The line on which each of them begins.
    broken : tuple[Broken, ...]
        The others; blank ones are left out.
    used : int
        Bytes of the block these records take; the rest belongs to the next block.
    line_count : int
        Lines in the used bytes.
    longest : int
        Bytes of the longest clean record.
    """

    clean: bytes
    lines: Positions
    broken: tuple[Broken, ...]
    used: int
    line_count: int
    longest: int


def frame_records(
    block: bytes, delimiter: str, columns: int, first_line: int, *, is_last: bool, fills: bool = False
) -> Framed:
    """Find the whole records of a block.

    Parameters
    ----------
    block : bytes
        UTF-8 text that begins at a record; lines end with LF.
    delimiter : str
        One ASCII character.
    columns : int
        Cells that every record must have.
    first_line : int
        Line number of the block's first line.
    is_last : bool
        Whether the file ends with this block.
    fills : bool
        Whether records with fewer cells are kept, their last cells being empty.
    """
    if is_last and block and not block.endswith(b"\n"):
        block += b"\n"
    signs = np.frombuffer(block, dtype=np.uint8)
    line_ends = np.flatnonzero(signs == _LINE_END)
    quotes, dropped, limit = _whole_quotes(block, signs, line_ends, ord(delimiter), is_last=is_last)
    ends = line_ends[line_ends < limit]
    delimiters = np.flatnonzero(signs == ord(delimiter))
    if len(quotes):
        ends = ends[np.searchsorted(quotes, ends) % 2 == 0]
        delimiters = delimiters[np.searchsorted(quotes, delimiters) % 2 == 0]
    if not len(ends):
        return Framed(b"", np.empty(0, np.int64), (), 0, 0, 0)
    starts = np.concatenate(([0], ends[:-1] + 1))
    cells = np.diff(np.searchsorted(delimiters, ends), prepend=0) + 1
    used = int(ends[-1]) + 1
    lines = first_line + np.searchsorted(line_ends, starts)
    is_dropped = _within(starts, dropped)
    is_blank = _blank(block, starts, ends, cells, columns)
    is_short = (cells < columns) & ~is_dropped & ~is_blank if fills else np.zeros(len(cells), dtype=bool)
    is_good = ((cells == columns) | is_short) & ~is_dropped & ~is_blank
    broken = _broken(block, starts, ends, cells, columns, lines, ~is_good & ~is_blank & ~is_dropped)
    broken += _dropped(block, dropped, line_ends, first_line)
    line_count = int(np.searchsorted(line_ends, used))
    longest = int((ends - starts)[is_good].max(initial=0))
    clean = block[:used] if is_good.all() else _joined(block, starts, ends, is_good)
    if is_short.any():
        clean = _filled(block, starts[is_good], ends[is_good], (columns - cells)[is_good], delimiter)
    ordered = tuple(sorted(broken, key=lambda b: b.line))
    return Framed(clean, lines[is_good].astype(np.int64), ordered, used, line_count, longest)


def _filled(block: bytes, starts: Positions, ends: Positions, lacking: Positions, delimiter: str) -> bytes:
    """The good records, each with the delimiters it lacks at its end."""
    mark = delimiter.encode()
    return b"".join(
        block[first:last] + mark * max(0, int(short)) + b"\n"
        for first, last, short in zip(starts, ends, lacking, strict=True)
    )


def _blank(
    block: bytes, starts: Positions, ends: Positions, cells: Positions, columns: int
) -> NDArray[np.bool_]:
    """Records of nothing, or of nothing but delimiters and spaces."""
    short = np.flatnonzero(ends - starts <= columns + 8)
    found = np.zeros(len(starts), dtype=bool)
    bare = (ends - starts) == (cells - 1)
    found[bare & ((cells == columns) | (cells == 1))] = True
    for i in short[(cells[short] == 1) & ~found[short]]:
        if not block[starts[i] : ends[i]].strip():
            found[i] = True
    return found


def _within(starts: Positions, ranges: list[tuple[int, int]]) -> NDArray[np.bool_]:
    found = np.zeros(len(starts), dtype=bool)
    for first, last in ranges:
        low, high = np.searchsorted(starts, (first, last + 1))
        found[low:high] = True
    return found


def _text(block: bytes, start: int, end: int) -> str:
    return block[start : min(end, start + 400)].decode("utf-8", errors="replace")


def _broken(
    block: bytes,
    starts: Positions,
    ends: Positions,
    cells: Positions,
    columns: int,
    lines: Positions,
    which: NDArray[np.bool_],
) -> list[Broken]:
    remedy = (
        "Give every line as many cells as the header; put cells that hold the delimiter in quotation marks."
    )
    return [
        Broken(
            int(lines[i]),
            _text(block, int(starts[i]), int(ends[i])),
            f"The line has {int(cells[i])} cells, the header {columns}",
            remedy,
        )
        for i in np.flatnonzero(which)
    ]


def _dropped(
    block: bytes, ranges: list[tuple[int, int]], line_ends: Positions, first_line: int
) -> list[Broken]:
    found = []
    for first, last in ranges:
        line = first_line + int(np.searchsorted(line_ends, first))
        found.append(Broken(line, _text(block, first, last), STRAY_QUOTE, QUOTE_REMEDY))
    return found


def _joined(block: bytes, starts: Positions, ends: Positions, is_good: NDArray[np.bool_]) -> bytes:
    """The good records put together, run by run."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], is_good, [False])).astype(np.int8)))
    runs = zip(starts[edges[0::2]], ends[edges[1::2] - 1], strict=True)
    return b"".join(block[first : last + 1] for first, last in runs)


def _whole_quotes(
    block: bytes, signs: NDArray[np.uint8], line_ends: Positions, delimiter: int, *, is_last: bool
) -> tuple[Positions, list[tuple[int, int]], int]:
    """Pair the quotes; where they do not pair, drop the line on which the pair opens and go on after it.

    Returns
    -------
    tuple
        The quotes that pair, the dropped stretches of bytes (first, last), and the end of what can be read.
    """
    if b'"' not in block:
        return np.empty(0, np.int64), [], len(block)
    quotes = np.flatnonzero(signs == _QUOTE)
    wrong = _wrong_quotes(signs, quotes, delimiter)
    kept: list[Positions] = []
    dropped: list[tuple[int, int]] = []
    start = 0
    while start < len(quotes):
        opener = _first_unpaired(wrong[start % 2], start, len(quotes))
        if opener is None:
            kept.append(quotes[start:])
            break
        within = np.searchsorted(line_ends, quotes[opener])
        is_open_end = (
            opener == len(quotes) - 1 and not is_last and len(block) - quotes[opener] < LONGEST_RECORD_BYTES
        )
        first = _record_start(quotes[start:opener], line_ends, int(within), dropped)
        if within == len(line_ends) or is_open_end:
            before = quotes[start:opener]
            kept.append(before[before < first])
            return np.concatenate(kept), dropped, first
        last = int(line_ends[within])
        before = quotes[start:opener]
        kept.append(before[before < first])
        dropped.append((first, last))
        start = int(np.searchsorted(quotes, last))
    return np.concatenate(kept) if kept else np.empty(0, np.int64), dropped, len(block)


def _wrong_quotes(signs: NDArray[np.uint8], quotes: Positions, delimiter: int) -> tuple[Positions, Positions]:
    """Quotes that cannot be what they would be if the 0th (or the 1st) quote opened a field."""
    edge = np.array([_LINE_END], dtype=np.uint8)
    padded = np.concatenate((edge, signs, edge))
    before, after = padded[quotes], padded[quotes + 2]
    may_open = (before == delimiter) | (before == _LINE_END) | (before == _QUOTE)
    may_close = (after == delimiter) | (after == _LINE_END) | (after == _RETURN) | (after == _QUOTE)
    even = np.arange(len(quotes)) % 2 == 0
    return (
        np.flatnonzero(np.where(even, ~may_open, ~may_close)),
        np.flatnonzero(np.where(even, ~may_close, ~may_open)),
    )


def _first_unpaired(wrong: Positions, start: int, count: int) -> int | None:
    """The opening quote of the first pair from `start` on that is no pair; None where all pair."""
    place = int(np.searchsorted(wrong, start))
    if place < len(wrong):
        at = int(wrong[place])
        return at if (at - start) % 2 == 0 else at - 1
    return count - 1 if (count - start) % 2 else None


def _record_start(
    quotes: Positions, line_ends: Positions, within: int, dropped: list[tuple[int, int]]
) -> int:
    """Where the record begins that holds the line `within`: after the last line end outside quotes."""
    floor = dropped[-1][1] + 1 if dropped else 0
    while within > 0 and line_ends[within - 1] >= floor:
        if np.searchsorted(quotes, line_ends[within - 1]) % 2 == 0:
            return int(line_ends[within - 1]) + 1
        within -= 1
    return floor
