"""Names and texts: what nobody can see is taken out, what says "no value" becomes empty.

Names (vans, readers, scans, modules, codes) lose control, bidirectional and zero-width characters,
so that two names that look the same are the same; texts keep their line ends and joiners.
"""

from __future__ import annotations

import unicodedata
from functools import cache

import polars as pl

from pipeline import vocabulary
from pipeline.normalise.distinct import each_once

LONGEST_CELL = 4000
_UNSEEN = r"[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]"
_UNSEEN_IN_TEXT = r"[\p{Cc}\p{Zl}\p{Zp}\x{202A}-\x{202E}\x{2066}-\x{2069}\x{200B}\x{200E}\x{200F}\x{FEFF}]"
_DASHES = frozenset("-–—_* ")


def clean_names(given: pl.Series) -> pl.Series:
    """Return identifiers without unseen characters and outer spaces, in Unicode form NFC; empty is null.

    An apostrophe before a digit or sign is a spreadsheet's mark for text and no part of the name.
    """
    names = _clean(given, _UNSEEN, "")
    return names.str.replace(r"^'([0-9=+\-@].*)$", "${1}") if names.str.starts_with("'").any() else names


def clean_texts(given: pl.Series) -> pl.Series:
    """Return free text with a space for each control or direction character; dashes alone are null."""
    text = _clean(given, _UNSEEN_IN_TEXT, " ")
    return (
        pl.select(pl.when(text.str.contains(r"^[-–—]+$")).then(None).otherwise(text))
        .to_series()
        .alias(given.name)
    )


def _clean(given: pl.Series, pattern: str, instead: str) -> pl.Series:
    if isinstance(given.dtype, pl.Enum):
        return each_once(given, lambda texts: _clean(texts, pattern, instead))
    text = given.cast(pl.String)
    if text.str.contains(r"[^\x20-\x7E]").any():
        text = (
            text.str.replace_all(pattern, instead)
            .str.normalize("NFC")
            .str.replace_all("\u00a0", " ", literal=True)
        )
    text = text.str.strip_chars()
    return pl.select(pl.when(text != "").then(text)).to_series().alias(given.name)


@cache
def _missing_folded() -> frozenset[str]:
    return frozenset(vocabulary.tables()["missing_words"].column("word_folded").to_pylist())


def is_missing_word(word: str, also: frozenset[str] = frozenset()) -> bool:
    """Say whether a word stands for "no value"; words made of signs alone must be dashes or stars."""
    stripped = unicodedata.normalize("NFC", word).strip()
    if stripped in also:
        return True
    folded = vocabulary.fold(stripped)
    if folded == "":
        return all(c in _DASHES for c in stripped)
    return folded in _missing_folded() or folded in also


def missing(given: pl.Series, also: frozenset[str] = frozenset()) -> pl.Series:
    """Return which cells are empty or hold a word for "no value" (boolean, one per row).

    Parameters
    ----------
    given : pl.Series
        Text.
    also : frozenset of str
        Further words of one layout, as they stand and folded.
    """
    empty = given.is_null() | (given.str.strip_chars() == "")
    others = given.filter(~empty).unique()
    words = [w for w in others.to_list() if len(w) <= SHORT_WORD and is_missing_word(w, also)]
    return empty | given.is_in(words) if words else empty


SHORT_WORD = 40
