"""The register: vans with their VIN judged, and every column the table does not know as an attribute."""

from __future__ import annotations

import polars as pl

from pipeline.counted import count_of
from pipeline.layouts.tables import tidy_tables
from pipeline.normalise import vin
from pipeline.normalise.cells import Cells
from pipeline.normalise.conventions import Conventions, Normalised
from pipeline.normalise.text import clean_names, clean_texts

FIRST_MODEL_YEAR = 1950
LONGEST_ATTRIBUTE_NAME = 100
NOT_CHECKABLE = "check digit not checkable, as outside North America"
FAILING = "check digit fails: one character is wrong, or two are swapped"


def normalise_register(given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise rows of the tidy table `register`.

    Returns
    -------
    Normalised
        `vans`, and `van_attributes` with one row per van and filled column of another name.
    """
    cells = Cells(given, conventions)
    van, model = cells.name("van", required=True), cells.text("model", required=True)
    vins = vin.normalise_vins(clean_names(cells.raw("vin")))
    status = vin.check_vins(vins)
    in_service, out_of_service = cells.date("in_service"), cells.date("out_of_service")
    rows = pl.DataFrame(
        {
            "line": given["line"],
            "van": van,
            "vin": vins,
            "vin_status": status,
            "make": cells.text("make"),
            "model": model,
            "model_year": cells.whole("model_year", least=FIRST_MODEL_YEAR, most=conventions.now.year + 2),
            "engine": cells.text("engine"),
            "displacement_l": cells.number("displacement_l", least=0.05, most=30),
            "cylinders": cells.whole("cylinders", least=1, most=16),
            "fuel": cells.text("fuel").str.to_lowercase(),
            "emission_standard": cells.text("emission_standard"),
            "in_service": in_service,
            "out_of_service": out_of_service,
            "depot": cells.text("depot"),
            "altitude_m": cells.number("altitude_m", least=-500, most=6000),
            "battery_ah": cells.number("battery_ah", least=1, most=1000),
        }
    )
    attributes = cells.faults.keep(_attributes(given, van))
    failing = vins.filter(status == vin.BAD_CHECK_DIGIT)
    asked = failing.str.contains("^[1-5]")  # 49 CFR 565.15 binds these makers alone (ISO 3780: North America)
    marked = {FAILING: int(asked.sum()), NOT_CHECKABLE: int((~asked).sum())}
    return Normalised(
        {"vans": cells.faults.keep(rows), "van_attributes": _long(attributes)},
        "vans",
        cells.faults.rejects(),
        int(cells.faults.lost.sum()),
        notes=tuple(f"{count_of(n, 'chassis number')}: {what}." for what, n in marked.items() if n),
    )


def _attributes(given: pl.DataFrame, van: pl.Series) -> pl.DataFrame:
    """The columns the table does not know, beside line and van."""
    known = tidy_tables()["register"].columns
    others = [c for c in given.columns if c != "line" and c not in known and c.strip()]
    return pl.DataFrame([given["line"], van, *(clean_texts(given[c]) for c in others)])


def _long(wide: pl.DataFrame) -> pl.DataFrame:
    """One row per van and filled attribute."""
    long = wide.unpivot(index=["line", "van"], variable_name="attribute", value_name="value")
    names = {c: clean_names(pl.Series([c]))[0] for c in wide.columns}
    short = {c: (n or "")[:LONGEST_ATTRIBUTE_NAME] for c, n in names.items()}
    return long.with_columns(
        pl.col("attribute").replace_strict(short, default=None, return_dtype=pl.String),
        pl.col("value").cast(pl.String),
    ).filter(pl.col("value").is_not_null() & (pl.col("attribute") != ""))
