"""Readings of a file that mostly lie outside what can be: a unit mixed up, or columns in another order."""

from __future__ import annotations

from collections import Counter

import polars as pl

from pipeline import vocabulary

LEAST_VALUES = 5
MOST_SHARE = 0.5


class Doubts:
    """Counts the values of a file by reading, piece by piece, and how many are implausible."""

    def __init__(self) -> None:
        self._values: Counter[str] = Counter()
        self._odd: Counter[str] = Counter()

    def add(self, readings: pl.DataFrame) -> None:
        """Count the rows of one piece.

        Parameters
        ----------
        readings : polars.DataFrame
            Columns `parameter` and `quality` (ok, implausible, sentinel).
        """
        counted = (
            readings.filter(pl.col("quality") != "sentinel")
            .group_by("parameter")
            .agg(pl.len().alias("n"), (pl.col("quality") == "implausible").sum().alias("odd"))
        )
        for parameter, n, odd in counted.iter_rows():
            self._values[parameter] += n
            self._odd[parameter] += odd

    def said(self) -> list[str]:
        """Return a sentence for each reading most of whose values cannot be, of `LEAST_VALUES` or more."""
        found = []
        for parameter, n in sorted(self._values.items()):
            odd = self._odd[parameter]
            if n < LEAST_VALUES or odd <= MOST_SHARE * n:
                continue
            known = vocabulary.parameter(parameter)
            found.append(
                f"{odd:,} of {n:,} values of {known.name.lower()} lie outside what can be ({known.plausible_low:g} to "
                f"{known.plausible_high:g} {known.unit}). They are kept and never compared. Look whether the unit and "
                "the order of the columns are right; if not, withdraw the file."
            )
        return found
