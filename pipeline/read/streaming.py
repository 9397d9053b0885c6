"""Pieces of a sheet that never hold more cells than fit, to be gone through more than once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import islice

import polars as pl

from pipeline.read.sheets import Piece, Sheet, no_broken

MOST_CELLS = 500_000
"""Readings that a piece of a wide sheet may become; each takes some 300 bytes while it is converted."""
Pieces = Callable[[], Iterator[Piece]]


def streamed(sheet: Sheet, cells_a_row: int) -> tuple[Pieces, bool]:
    """Return how to go through a sheet, and whether that takes more than one piece.

    A sheet of one piece is held and not read again.
    """
    most_rows = max(1, MOST_CELLS // max(1, cells_a_row))
    held = list(islice(sheet.pieces(), 2))
    source: Pieces = (lambda: iter(held)) if len(held) < 2 else sheet.pieces
    is_long = len(held) > 1 or any(len(p.frame) > most_rows for p in held)
    return (lambda: (part for piece in source() for part in _parts(piece, most_rows))), is_long


def _parts(piece: Piece, most_rows: int) -> Iterator[Piece]:
    """A piece in parts of so many rows; what was broken goes with the first, the bytes with the last."""
    starts = range(0, max(1, len(piece.frame)), most_rows)
    for start in starts:
        part = Piece(piece.frame.slice(start, most_rows), no_broken())
        if start == starts[0]:
            part = replace(part, broken=piece.broken)
        yield replace(part, read_bytes=piece.read_bytes) if start == starts[-1] else part


class Seen:
    """Rows that stood in earlier pieces: a code repeated at every instant of a scan counts once."""

    def __init__(self) -> None:
        self._rows: pl.DataFrame | None = None

    def fresh(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Return the rows that no earlier piece had, whatever their lines."""
        keys = [c for c in rows.columns if c != "line"]
        if self._rows is not None:
            rows = rows.join(self._rows, on=keys, how="anti", nulls_equal=True, maintain_order="left")
        new = rows.select(keys)
        self._rows = new if self._rows is None else pl.concat([self._rows, new])
        return rows
