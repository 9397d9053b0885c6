"""Claimed limits of readings, in each reading's own unit."""

from __future__ import annotations

import polars as pl

from pipeline.normalise.cells import Cells
from pipeline.normalise.conventions import Conventions, Normalised
from pipeline.normalise.readings import limits_of, meanings_of
from pipeline.normalise.words import normalise_words


def normalise_limits(given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise rows of the tidy table `limits`; a row needs at least one of low and high."""
    cells = Cells(given, conventions)
    meaning, found = meanings_of(cells)
    low, high = limits_of(cells, meaning, keeps_row=False)
    neither = low.is_null() & high.is_null()
    cells.faults.add(
        neither, "low", cells.raw("low"), "The limit has neither low nor high", "Fill in one of them."
    )
    rows = pl.DataFrame(
        {
            "line": given["line"],
            "parameter": meaning["parameter"],
            "low": low,
            "high": high,
            "reader": cells.name("reader"),
            "state": normalise_words(cells.raw("state"), "state", cells.faults),
            "scope": cells.text("scope"),
            "unit_given": meaning["unit_given"],
        }
    )
    return Normalised(
        {"limits": cells.faults.keep(rows)},
        "limits",
        cells.faults.rejects(),
        int(cells.faults.lost.sum()),
        questions=found.questions,
    )
