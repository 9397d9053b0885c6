"""Trouble codes: spelling, failure type and structure by SAE J2012; maker numbers stay as the reader gave them.

Lettered codes become `P0562` with the failure type (third byte) apart, whichever way the reader writes them:
`p0562`, `P 0562`, `P0562-11`, `P0562:11`, `P056211`. Bytes that say so themselves, `04 01 22`, `0401-22` and
`0x040122`, are read by the same rule. Any other code without a letter is a maker's own number: it keeps
every character, leading zeros too, and is never turned into a lettered code.
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.resources import files

import polars as pl

LETTERS = "PCBU"
_LETTERED = r"^\s*([PCBUpcbu])[\s-]?([0-3])([0-9A-Fa-f]{3})(?:[\s:-]*\(?\$?([0-9A-Fa-f]{2})\)?)?\s*$"
# Three bytes apart, two and the failure type apart, or marked as hexadecimal. A bare number is none of these.
_BYTES = r"^\s*(?:0[xX]([0-9A-Fa-f]{4})([0-9A-Fa-f]{2})?|([0-9A-Fa-f]{2} [0-9A-Fa-f]{2}) ([0-9A-Fa-f]{2})|([0-9A-Fa-f]{4})-([0-9A-Fa-f]{2}))\s*$"
_NUMBER = r"^[0-9][0-9A-Fa-f]{2,7}$"
STANDARD, MAKER, NUMBER, OTHER = "standard", "maker", "number", "other"


def decode_two_byte(value: int) -> str | None:
    """Return the lettered code of a two-byte value; None for 0, which is padding.

    Bits 15-14 give the letter (P, C, B, U), bits 13-12 the first digit, the rest three hexadecimal digits.
    Source: SAE J2012 / ISO 15031-6, from memory.

    Raises
    ------
    ValueError
        Where the value does not fit in two bytes.

    >>> decode_two_byte(0x9234)
    'B1234'
    """
    if not 0 <= value <= 0xFFFF:
        raise ValueError("a two-byte code lies between 0 and FFFF")
    if value == 0:
        return None
    return f"{LETTERS[value >> 14]}{value >> 12 & 0b11}{value & 0xFFF:03X}"


def decode_three_byte(value: int) -> str | None:
    """Return the lettered code and failure type of a three-byte value, as `P0805-11`; None for padding.

    Source: ISO 14229-1 with SAE J2012, from memory.
    """
    code = decode_two_byte(value >> 8)
    return None if code is None else f"{code}-{value & 0xFF:02X}"


@cache
def _ranges() -> tuple[tuple[str, str], ...]:
    text = files("pipeline.normalise").joinpath("code_structure.toml").read_text(encoding="utf-8")
    return tuple((row["pattern"], row["structure"]) for row in tomllib.loads(text)["range"])


def normalise_codes(given: pl.Series) -> pl.DataFrame:
    """Normalise a column of code texts.

    Parameters
    ----------
    given : pl.Series
        Cleaned text; null where there is no code.

    Returns
    -------
    pl.DataFrame
        `code`, `failure_type` (two hexadecimal digits or null), `structure` (standard, maker, number, other),
        `is_repaired` (a letter O was read as zero, which alone makes the code legal) and `is_decoded` (bytes).
    """
    text = given.cast(pl.String)
    frame = pl.DataFrame({"given": _spell_bytes(text), "as_given": text})
    frame = frame.with_columns(is_decoded=(pl.col("given") != pl.col("as_given")).fill_null(value=False))
    legal = pl.col("given").str.contains(_LETTERED)
    repaired = pl.col("given").str.slice(0, 1) + pl.col("given").str.slice(1).str.replace_all("[Oo]", "0")
    frame = frame.with_columns(is_repaired=~legal & repaired.str.contains(_LETTERED)).with_columns(
        text=pl.when("is_repaired").then(repaired).otherwise("given")
    )
    groups = [pl.col("text").str.extract(_LETTERED, i).str.to_uppercase() for i in (1, 2, 3, 4)]
    frame = frame.with_columns(lettered=pl.concat_str(groups[:3]), failure_type=groups[3])
    structure = pl.when(pl.col("given").is_null()).then(None)
    for pattern, name in _ranges():
        structure = structure.when(pl.col("lettered").str.contains(pattern)).then(pl.lit(name))  # type: ignore[assignment]
    structure = structure.when(pl.col("lettered").is_null() & pl.col("text").str.contains(_NUMBER)).then(
        pl.lit(NUMBER)
    )  # type: ignore[assignment]
    return frame.select(
        code=pl.coalesce("lettered", "text"),
        failure_type="failure_type",
        structure=structure.otherwise(pl.lit(OTHER)),
        is_repaired=pl.col("is_repaired").fill_null(value=False),
        is_decoded="is_decoded",
    )


def _spell_bytes(given: pl.Series) -> pl.Series:
    """Spell codes that are given as bytes by the two-byte rule; each spelling is worked out once."""
    found = given.filter(given.str.contains(_BYTES)).unique().to_list()
    if not found:
        return given
    spelled = {text: code for text in found if (code := _decode_text(text)) is not None}
    return given.replace(spelled) if spelled else given


def _decode_text(text: str) -> str | None:
    match = re.match(_BYTES, text)
    groups = [g for g in match.groups() if g] if match else []
    digits = "".join(groups).replace(" ", "")
    return decode_three_byte(int(digits, 16)) if len(digits) == 6 else decode_two_byte(int(digits, 16))
