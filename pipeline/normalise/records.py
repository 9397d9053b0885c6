"""What people write down: work done, notes, and the periods in which an attribute held."""

from __future__ import annotations

import polars as pl

from pipeline.normalise.cells import Cells
from pipeline.normalise.codes import normalise_codes
from pipeline.normalise.conventions import Conventions, Normalised
from pipeline.normalise.words import normalise_words


def _done(cells: Cells, table: str, rows: pl.DataFrame) -> Normalised:
    return Normalised(
        {table: cells.faults.keep(rows)},
        table,
        cells.faults.rejects(),
        int(cells.faults.lost.sum()),
        notes=cells.notes(),
    )


def normalise_work(given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise rows of the tidy table `work`; `what` and `part` keep their words in lower case."""
    cells = Cells(given, conventions)
    rows = pl.DataFrame(
        {
            "line": given["line"],
            "van": cells.name("van", required=True),
            "at": cells.time("at", required=True),
            "what": cells.text("what", required=True).str.to_lowercase(),
            "odometer_km": cells.kilometres(),
            "part": cells.text("part").str.to_lowercase(),
            "code": normalise_codes(cells.name("code"))["code"],
            "relearn": normalise_words(cells.raw("relearn"), "relearn", cells.faults, instead="unknown"),
            "days_standing": cells.number("days_standing", least=0, most=36_500),
            "cost": cells.number("cost"),
            "note": cells.text("note"),
        }
    )
    return _done(cells, "work", rows)


def normalise_notes(given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise rows of the tidy table `notes`."""
    cells = Cells(given, conventions)
    rows = pl.DataFrame(
        {
            "line": given["line"],
            "van": cells.name("van", required=True),
            "at": cells.time("at", required=True),
            "text": cells.text("text", required=True),
            "who": cells.text("who"),
        }
    )
    return _done(cells, "notes", rows)


def normalise_exposures(given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise rows of the tidy table `exposures`; `to` is exclusive, empty means still."""
    cells = Cells(given, conventions)
    begins, ends = cells.date("from", required=True), cells.date("to", loses_row=True)
    turned = ends <= begins
    cells.faults.add(
        turned, "to", cells.raw("to"), "The period ends before it begins", "Correct from and to."
    )
    rows = pl.DataFrame(
        {
            "line": given["line"],
            "van": cells.name("van", required=True),
            "attribute": cells.text("attribute", required=True),
            "value": cells.text("value", required=True),
            "from_date": begins,
            "to_date": ends,
        }
    )
    return _done(cells, "exposures", rows)
