"""Numbers as text into doubles: the marks are known beforehand, a doubtful number is refused.

Sources: decimal and thousands marks as in CLDR number patterns (from memory), Unicode minus U+2212 and
trailing minus as common practice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

from pipeline.normalise import text

_SPACES = "[ \u00a0\u2009\u202f]"


@dataclass(frozen=True)
class NumberMarks:
    """How a file writes numbers: decimal mark, thousands mark, further words for "no value" (folded)."""

    decimal: str = "."
    thousands: str = ""
    missing_words: frozenset[str] = frozenset()

    @property
    def pattern(self) -> str:
        """The regular expression of a whole number text, after `_plain_signs`."""
        point = re.escape(self.decimal)
        digits = r"[0-9]+"
        if self.thousands:
            mark = _SPACES if self.thousands == " " else re.escape(self.thousands)
            digits = rf"(?:[0-9]+|[0-9]{{1,3}}(?:{mark}[0-9]{{3}})+)"
        return rf"^[+-]?(?:{digits}(?:{point}[0-9]*)?|{point}[0-9]+)(?:[eE][+-]?[0-9]+)?$"


PLAIN = NumberMarks()


@dataclass(frozen=True)
class Numbers:
    """Parsed numbers beside what is wrong with the rest; all of one length."""

    value: pl.Series
    is_missing: pl.Series
    is_wrong: pl.Series


def _plain_signs(given: pl.Series) -> pl.Series:
    """U+2212 as hyphen-minus, a trailing minus to the front."""
    signs = given.str.replace_all("\u2212", "-", literal=True)
    return signs.str.replace(r"^([^+-].*)-$", "-${1}")


def _parse_marked(given: pl.Series, marks: NumberMarks) -> pl.Series:
    bare = pl.select(pl.when(given.str.contains(marks.pattern)).then(given)).to_series()
    if marks.thousands == " ":
        bare = bare.str.replace_all(_SPACES, "")
    elif marks.thousands:
        bare = bare.str.replace_all(marks.thousands, "", literal=True)
    return bare.str.replace(marks.decimal, ".", literal=True).cast(pl.Float64, strict=False)


def parse_numbers(given: pl.Series, marks: NumberMarks = PLAIN) -> Numbers:
    """Parse a column of number texts.

    Parameters
    ----------
    given : pl.Series
        Text, any length.
    marks : NumberMarks
        Decimal and thousands mark of the file.

    Returns
    -------
    Numbers
        `value` (double, null where missing or wrong), `is_missing`, `is_wrong`. Infinities, digits of
        other scripts, hexadecimal and grouped numbers without a thousands mark are wrong.
    """
    stripped = given.cast(pl.String).str.strip_chars()
    if marks.decimal == "." and not marks.thousands:
        value = stripped.cast(pl.Float64, strict=False)
    else:
        value = _parse_marked(stripped, marks)
    value = _only_finite(value)
    rest = value.is_null() & stripped.is_not_null() & (stripped != "")
    if rest.any():
        signed = _parse_marked(_plain_signs(stripped.filter(rest)), marks)
        value = _only_finite(_fill(value, rest, signed))
    if marks.missing_words:
        value = pl.select(pl.when(~stripped.is_in(list(marks.missing_words))).then(value)).to_series()
    unread = value.is_null()
    gone = _fill(unread, unread, text.missing(stripped.filter(unread), marks.missing_words))
    return Numbers(value.alias(given.name), gone, unread & ~gone)


def _only_finite(value: pl.Series) -> pl.Series:
    return pl.select(pl.when(value.is_finite()).then(value)).to_series()


def _fill(value: pl.Series, where: pl.Series, parsed: pl.Series) -> pl.Series:
    """Put `parsed` (one per true of `where`) into `value`."""
    return value.clone().scatter(where.arg_true(), parsed)
