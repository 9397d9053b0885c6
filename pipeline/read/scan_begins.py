"""When scans began, where an export does not say: the first instant of each, found while the file goes by.

Only the stretches of time in which readings follow each other are kept, never the rows.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.read.instants import read_moments

_ROW, _MARK = "row number", "mark"


class ScanBegins:
    """The scans of one file by time; give it every piece once, then ask it piece by piece.

    A scan is what one `scan_id` covers, else the readings of one van and reader without a gap of `gap_min` minutes.
    """

    def __init__(self, gap_min: float) -> None:
        self._gap = timedelta(minutes=gap_min)
        self._stretches: list[pl.DataFrame] = []
        self._marks: pl.DataFrame | None = None

    def add(self, wide: pl.DataFrame) -> None:
        """Take in the instants of a piece: column `at`, and `scan_id`, `van` and `reader` as far as there are any."""
        by = _keys(wide)
        ordered = _instants(wide, by).filter(pl.col("at").str.strip_chars() != "")
        ordered = ordered.sort(*by, "moment", maintain_order=True, nulls_last=True)
        self._stretches.append(self._joined(ordered.with_columns(until="moment"), by))

    def begin_of(self, wide: pl.DataFrame) -> pl.Series:
        """Return for every row of a piece the text of the time at which its scan began."""
        by = _keys(wide)
        if self._marks is None:
            found = pl.concat(self._stretches).sort(*by, "moment", maintain_order=True, nulls_last=True)
            marks = self._joined(found, by)
            is_timed = pl.col("moment").is_not_null()
            self._marks = marks.filter(is_timed | ~is_timed.any().over(by))
        marks = self._marks.select(*by, "moment", begin="at").with_columns(pl.lit(-1).alias(_ROW))
        rows = _instants(wide, by).select(*by, "moment", pl.lit(None, pl.String).alias("begin"))
        rows = rows.with_columns(pl.int_range(pl.len()).cast(pl.Int32).alias(_ROW))
        both = pl.concat([marks, rows]).sort(*by, "moment", maintain_order=True, nulls_last=True)
        filled = both.with_columns(pl.col("begin").forward_fill().over(by))
        return filled.filter(pl.col(_ROW) >= 0).sort(_ROW)["begin"]

    def _joined(self, ordered: pl.DataFrame, by: list[str]) -> pl.DataFrame:
        """Stretches in order of time, those without a long gap between them as one; the first text of each counts.

        Instants without a readable time stand by themselves, one a group.
        """
        latest = pl.col("until").cum_max().shift(1).over(by)
        is_new = pl.col("moment").is_null()
        if by[0] != "scan_id":
            is_new |= ((pl.col("moment") - latest) > self._gap).fill_null(value=False)
        runs = ordered.with_columns(is_new.cum_sum().over(by).alias(_MARK))
        runs = runs.with_columns(pl.when(pl.col("moment").is_null()).then(-1).otherwise(_MARK).alias(_MARK))
        ends = (pl.col("moment").first(), pl.col("until").max(), pl.col("at").first())
        return runs.group_by([*by, _MARK], maintain_order=True).agg(*ends).drop(_MARK)


def _keys(wide: pl.DataFrame) -> list[str]:
    if "scan_id" in wide.columns:
        return ["scan_id", "whole"]
    return [*(c for c in ("van", "reader") if c in wide.columns), "whole"]


def _instants(wide: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    frame = wide.with_columns(whole=pl.lit(0))
    return frame.select(*by, pl.col("at"), moment=read_moments(pl.col("at")))
