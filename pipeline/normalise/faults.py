"""Rows and cells that cannot be taken: what was given, why not, and what to do; nothing vanishes."""

from __future__ import annotations

import polars as pl

REJECT_SCHEMA = {
    "line": pl.Int64,
    "column_name": pl.String,
    "value": pl.String,
    "reason": pl.String,
    "remedy": pl.String,
}
CELL_ONLY = "; the row was kept without it"
SHOWN_CHARACTERS = 200


def empty_rejects() -> pl.DataFrame:
    """Return a table of rejects without rows."""
    return pl.DataFrame(schema=REJECT_SCHEMA)


class Faults:
    """Collects faults while a table of constant height is worked on, and knows which rows are lost.

    Parameters
    ----------
    lines : pl.Series
        Line number of every row, 1-based, header included.
    """

    def __init__(self, lines: pl.Series) -> None:
        self._lines = lines.rename("line")
        self._found: list[pl.DataFrame] = []
        self._lost: pl.Series | None = None

    def add(
        self,
        is_faulty: pl.Series,
        column: str,
        given: pl.Series | None,
        reason: str | pl.Series,
        remedy: str | pl.Series,
        *,
        keeps_row: bool = False,
    ) -> None:
        """Note a fault of the rows in which `is_faulty` holds.

        Parameters
        ----------
        is_faulty : pl.Series
            Boolean, one per row; null counts as false.
        column : str
            The column at fault.
        given : pl.Series or None
            What the file gave, one per row.
        reason, remedy : str or pl.Series
            One text for all rows, or one per row.
        keeps_row : bool
            Whether only the cell is left out; the reason then says so.
        """
        mask = is_faulty.fill_null(value=False)
        if not mask.any():
            return
        rows = pl.DataFrame({"line": self._lines})
        value = (
            pl.lit(None, pl.String) if given is None else given.cast(pl.String).str.slice(0, SHOWN_CHARACTERS)
        )
        shown = rows.with_columns(
            column_name=pl.lit(column),
            value=value,
            reason=pl.lit(reason) if isinstance(reason, str) else reason,
            remedy=pl.lit(remedy) if isinstance(remedy, str) else remedy,
        ).filter(mask)
        if keeps_row:
            shown = shown.with_columns(pl.col("reason") + CELL_ONLY)
        else:
            self._lost = mask if self._lost is None else self._lost | mask
        self._found.append(shown)

    @property
    def lost(self) -> pl.Series:
        """Boolean, one per row: whether the row as a whole is left out."""
        if self._lost is None:
            return pl.repeat(value=False, n=len(self._lines), dtype=pl.Boolean, eager=True)
        return self._lost

    def keep(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Return the rows of `frame` that are not lost."""
        return frame if self._lost is None else frame.filter(~self._lost)

    def rejects(self) -> pl.DataFrame:
        """Return every fault, one row each, in line order; columns as `REJECT_SCHEMA`."""
        if not self._found:
            return empty_rejects()
        return pl.concat([f.select(REJECT_SCHEMA.keys()) for f in self._found]).sort(
            "line", maintain_order=True
        )
