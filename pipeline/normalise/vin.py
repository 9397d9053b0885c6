"""Vehicle identification numbers: form by ISO 3779, check digit by 49 CFR 565.15(c).

Only North American makers must set a check digit: elsewhere a failing one is a mark, not a fault.
Characters of equal value pass for one another unseen (2 = B = K = S, 1 = A = J, 5 = E = N = V, 8 = H = Y).
"""

from __future__ import annotations

import polars as pl

LENGTH = 17
CHECK_POSITION = 8
WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
VALUES = {
    **{str(d): d for d in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
FORM = r"^[A-HJ-NPR-Z0-9]{17}$"
OK, BAD_CHECK_DIGIT, BAD_FORM = "ok", "bad_check_digit", "bad_form"


def normalise_vins(given: pl.Series) -> pl.Series:
    """Return VINs in capitals without spaces, hyphens and points; empty is null."""
    bare = given.cast(pl.String).str.replace_all(r"[\s.\-–]", "").str.to_uppercase()
    return pl.select(pl.when(bare != "").then(bare)).to_series().alias(given.name)


def check_vins(vins: pl.Series) -> pl.Series:
    """Judge VINs as `normalise_vins` gives them.

    Returns
    -------
    pl.Series
        `ok`, `bad_check_digit`, `bad_form`, or null where there is no VIN.
    """
    frame = pl.DataFrame({"vin": vins.cast(pl.String)})
    value = [
        pl.col("vin").str.slice(i, 1).replace_strict(VALUES, default=0, return_dtype=pl.Int64) * weight
        for i, weight in enumerate(WEIGHTS)
    ]
    remainder = pl.sum_horizontal(value) % 11
    expected = pl.when(remainder == 10).then(pl.lit("X")).otherwise(remainder.cast(pl.String))
    status = (
        pl.when(pl.col("vin").is_null()).then(None)
        .when(~pl.col("vin").str.contains(FORM)).then(pl.lit(BAD_FORM))
        .when(pl.col("vin").str.slice(CHECK_POSITION, 1) == expected).then(pl.lit(OK))
        .otherwise(pl.lit(BAD_CHECK_DIGIT))
    )  # fmt: skip
    return frame.select(status.alias("vin_status")).to_series()


def check_digit(vin: str) -> str:
    """Return the check digit that 49 CFR 565 asks for in a 17-character VIN, whatever stands there now.

    Raises
    ------
    ValueError
        Where the text has not 17 characters, or one that a VIN may not hold.

    >>> check_digit("1M8GDM9AXKP042788")
    'X'
    """
    if len(vin) != LENGTH or any(c not in VALUES for c in vin):
        raise ValueError("a VIN has 17 characters, digits and capitals without I, O and Q")
    remainder = sum(VALUES[c] * weight for c, weight in zip(vin, WEIGHTS, strict=True)) % 11
    return "X" if remainder == 10 else str(remainder)
