"""What stands where in a grid: lines above the header, the header, a row of units, totals at the end."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from pipeline import vocabulary
from pipeline.errors import KinbayError
from pipeline.normalise.text import is_missing_word
from pipeline.propose.grid import Grid
from pipeline.propose.names import field_names, is_known_name, is_known_unit

_NUMBERISH = re.compile(r"^[\s+\-−]?[\d.,:'/\s\u00a0\u202f\-T]*\d[\d.,:'/\s\u00a0\u202f\-TZ]*$")
_TOTALS = {
    "total", "totals", "sum", "average", "mean", "minimum", "maximum", "summe", "gesamt", "mittelwert", "durchschnitt",
    "somme", "moyenne", "suma", "promedio", "media", "totaux", "totales", "end of log", "ende",
}  # fmt: skip
_CODE = re.compile(r"^[PCBU][0-3][0-9A-F]{3}\b", re.IGNORECASE)
MOST_HEADER_ROWS = 100
SAME_WIDTH = 0.9


@dataclass(frozen=True)
class Structure:
    """The parts of a grid.

    Parameters
    ----------
    above : int
        Lines above the header.
    header : list of str
        Header cells.
    units : list of str or None
        Cells of the row of units.
    body : list of list of str
        Rows of data, totals and blank ones left out.
    preamble : list of list of str
        Cells of the lines above the header.
    totals : list of tuple of int and str
        Column and word of rows such as totals.
    is_short : bool
        Whether some rows end before the header does.
    names : tuple of str
        What the columns of a file without a header are called; empty where there is one.
    """

    above: int
    header: list[str]
    units: list[str] | None
    body: list[list[str]]
    preamble: list[list[str]]
    totals: list[tuple[int, str]]
    is_short: bool = False
    names: tuple[str, ...] = ()


def is_numberish(cell: str) -> bool:
    """Say whether a cell is a number, a date or a time rather than a word."""
    return bool(_NUMBERISH.match(cell.strip()))


def find_structure(grid: Grid) -> Structure:
    """Find the parts of a grid.

    Raises
    ------
    KinbayError
        Where no row can be a header.
    """
    rows = grid.rows
    at = 0 if grid.is_keyed else _header_row(rows)
    if at is None:
        return _without_header(rows)
    header = [c.replace("\ufeff", "") for c in rows[at]]
    while (
        header
        and not header[-1].strip()
        and all(len(r) < len(header) or not r[len(header) - 1].strip() for r in rows[at + 1 :])
    ):
        header.pop()
    body = rows[at + 1 :]
    units = body[0] if body and _is_unit_row(body[0], header) else None
    body = [r for r in body[1 if units else 0 :] if any(c.strip() for c in r)]
    totals, kept, is_short = [], [], False
    for row in body:
        filled = [(i, c.strip()) for i, c in enumerate(row) if c.strip()]
        if (
            vocabulary.fold(filled[0][1]) in _TOTALS
            or _repeats(row, header)
            or (units and _repeats(row, units, least=1))
        ):
            totals.append((filled[0][0], filled[0][1]))
            continue
        if len(row) < len(header):
            is_short = True
        kept.append([*row, *[""] * (len(header) - len(row))])
    return Structure(at, header, units, kept, rows[:at], totals, is_short)


def _repeats(row: list[str], above: list[str], least: int = 2) -> bool:
    """A row that says the header, or the row of units, again: readers write it at every start."""
    cells = [c.strip() for c in row[: len(above)]]
    return cells == [c.strip() for c in above[: len(cells)]] and len([c for c in cells if c]) >= least


def _without_header(rows: list[list[str]]) -> Structure:
    """A file that begins with its first row of data; its columns are numbered."""
    filled = [r for r in rows if any(c.strip() for c in r)]
    widths = Counter(len(r) for r in filled)
    width = max(widths, key=lambda n: widths[n], default=0)
    if width < 2 or widths[width] < SAME_WIDTH * len(filled):
        raise KinbayError(
            "No row looks like a header",
            remedy="Write a layout with [file] names for a file without a header (pipeline/layouts/README.md).",
        )
    names = tuple(f"column {i + 1}" for i in range(width))
    return Structure(
        0, list(names), None, [[*r, *[""] * (width - len(r))] for r in filled], [], [], names=names
    )


def _states_fact(cell: str) -> bool:
    """A cell such as `Vehicle: 047`: what it is and its value."""
    label, mark, value = cell.partition(":")
    return (
        bool(mark and value.strip()) and vocabulary.fold(label) in field_names() and not is_known_unit(value)
    )


def _header_row(rows: list[list[str]]) -> int | None:
    """The row with most names that are known; else the first full row of words; None where there is no header."""
    widths = Counter(len([c for c in r if c.strip()]) for r in rows[:2000] if len(r) > 1)
    usual = max(widths, key=lambda n: (widths[n], n), default=0)
    best, best_score = None, 0.0
    for i, row in enumerate(rows[:MOST_HEADER_ROWS]):
        cells = [c.strip() for c in row if c.strip()]
        words = [c for c in cells if not is_numberish(c)]
        if len(cells) < 2 or len(words) < 0.7 * len(cells) or len(cells) < 0.4 * usual:
            continue
        if any(_states_fact(c) for c in cells):
            continue  # a line of facts, not of names
        known = sum(is_known_name(c) for c in words)
        if not known and any(_CODE.match(c) for c in words):
            continue  # a row of data, not of names
        score = 3.0 * known + min(len(words), usual) / max(1, usual)
        if score > best_score + 0.5:
            best, best_score = i, score
    return best


def _is_unit_row(row: list[str], header: list[str]) -> bool:
    cells = [c.strip() for c in row[: len(header)]]
    filled = [c for c in cells if c and not is_missing_word(c)]
    known = sum(is_known_unit(c.strip("[]()")) for c in filled)
    return (
        bool(known)
        and known >= 0.6 * len(filled)
        and not any(is_numberish(c) for c in filled if not is_known_unit(c.strip("[]()")))
    )
