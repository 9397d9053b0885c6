"""Columns in which few texts repeat: each different text is converted once, and put back by its number.

Exports repeat van, reader, time and unit in every row; a logger writes the rows of one instant below each other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import polars as pl

FEW_RUNS = 4
"""Runs of equal texts are numbered first where rows are at least so many times as many."""


@dataclass(frozen=True)
class Distinct:
    """The different texts of a column.

    Parameters
    ----------
    texts : pl.Series
        Each different text once; null is one of them where it occurs.
    places : pl.Series
        For every row the number of its text, from 0.
    """

    texts: pl.Series
    places: pl.Series

    def spread(self, made: pl.Series) -> pl.Series:
        """Return for every row what was made of its text."""
        return made.gather(self.places)


def part_distinct(given: pl.Series) -> Distinct:
    """Find the different texts of a column, in the order in which they first appear.

    Parameters
    ----------
    given : pl.Series
        Text, or `pl.Enum` where the different texts are known already; then only those that occur are returned.
    """
    if isinstance(given.dtype, pl.Enum):
        return _of_numbers(given.to_physical(), given.dtype.categories)
    begins = given.ne_missing(given.shift(1))
    if len(given):
        begins[0] = True
    if int(begins.sum()) * FEW_RUNS > len(given):
        return _of_texts(given)
    runs = _of_texts(given.filter(begins))
    return Distinct(runs.texts, runs.places.gather(begins.cum_sum() - 1))


def _of_texts(given: pl.Series) -> Distinct:
    texts = given.unique(maintain_order=True).drop_nulls()
    return _with_null(texts, given.cast(pl.Enum(texts)).to_physical())


def _with_null(texts: pl.Series, numbers: pl.Series) -> Distinct:
    if not numbers.null_count():
        return Distinct(texts, numbers)
    return Distinct(texts.extend_constant(None, 1), numbers.fill_null(len(texts)))


def _of_numbers(numbers: pl.Series, texts: pl.Series) -> Distinct:
    """Of numbered texts those that occur."""
    used = numbers.unique(maintain_order=True).drop_nulls()
    anew = pl.zeros(len(texts), pl.UInt32, eager=True)
    anew = anew.scatter(used, pl.int_range(len(used), dtype=pl.UInt32, eager=True)) if len(used) else anew
    return _with_null(texts.gather(used), anew.gather(numbers))


@dataclass(frozen=True)
class Together:
    """The different combinations of several columns.

    Parameters
    ----------
    first : pl.Series
        For every combination the first row in which it stands.
    places : pl.Series
        For every row the number of its combination, from 0.
    """

    first: pl.Series
    places: pl.Series


def part_together(columns: Sequence[Distinct]) -> Together:
    """Find the different combinations of columns, in the order in which they first appear."""
    number = columns[0].places.cast(pl.UInt64)
    for one in columns[1:]:
        number = number * len(one.texts) + one.places
    first = number.arg_unique().sort()
    keys = number.gather(first)
    order = keys.arg_sort()
    return Together(first, order.gather(keys.gather(order).search_sorted(number)))


def each_once(given: pl.Series, convert: Callable[[pl.Series], pl.Series]) -> pl.Series:
    """Convert every different text of a column once."""
    found = part_distinct(given)
    return found.spread(convert(found.texts)).alias(given.name)
