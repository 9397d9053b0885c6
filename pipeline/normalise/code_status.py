"""The status of a trouble code: a word, the names of its bits, or the status byte of ISO 14229-1.

What the byte says, strongest first: failing now (present), stored, pending, healed; a test that has not
completed since the last clearing is no news (`not_tested`), and none of all this is `no_fault`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

from pipeline.errors import nearest
from pipeline.normalise.faults import Faults
from pipeline.normalise.text import SHORT_WORD, missing
from pipeline.normalise.words import known_words
from pipeline.vocabulary import fold

# Names of the bits, lowest first. Source: ISO 14229-1, from memory.
BITS = (
    "testFailed",
    "testFailedThisOperationCycle",
    "pendingDTC",
    "confirmedDTC",
    "testNotCompletedSinceLastClear",
    "testFailedSinceLastClear",
    "testNotCompletedThisOperationCycle",
    "warningIndicatorRequested",
)
ORDER = (
    "present",
    "confirmed",
    "permanent",
    "stored",
    "pending",
    "healed",
    "unknown",
    "not_tested",
    "no_fault",
)
_MASKS = {fold(re.sub(r"([a-z])([A-Z])", r"\1 \2", n)): 1 << i for i, n in enumerate(BITS)} | {
    fold(n): 1 << i for i, n in enumerate(BITS)
}
_HEX = re.compile(r"^(?:0x|\$)([0-9a-f]{1,2})$|^([0-9a-f]{1,2})h$|^([0-9a-f]{2})$", re.IGNORECASE)
_BINARY = re.compile(r"^(?:0b)?([01]{8})$")
_DECIMAL = re.compile(r"^([0-9]{1,3})$")
_PARTS = re.compile(r"\s*[,;/|+]\s*")
SCHEMA = {"status": pl.String, "status_byte": pl.Int32}


@dataclass(frozen=True)
class Status:
    """What a status cell says: a tidy word, and the byte where it was given (null for plain words)."""

    status: str
    byte: int | None = None


def status_of_byte(byte: int) -> str:
    """Return the word for a status byte. Source: ISO 14229-1, from memory; the words are the contract's own.

    >>> [status_of_byte(b) for b in (0x2F, 0x24, 0x28, 0x50, 0x40)]
    ['present', 'pending', 'stored', 'not_tested', 'no_fault']
    """
    for mask, word in ((0x01, "present"), (0x08, "stored"), (0x06, "pending"), (0x20, "healed")):
        if byte & mask:
            return word
    return "not_tested" if byte & 0x10 else "no_fault"


def normalise_status(given: pl.Series, faults: Faults) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Turn a column of status cells into words and bytes.

    Two digits are hexadecimal, as readers show the byte; where any number of the column has three
    digits and none a letter, all are decimal.

    Parameters
    ----------
    given : pl.Series
        Text, one cell per row.
    faults : Faults
        Takes what is not known; the row is kept as `unknown`.

    Returns
    -------
    tuple
        Columns as `SCHEMA`, one row per row given, and notes on what was decided.
    """
    empty = pl.DataFrame(
        {"status": pl.repeat("unknown", len(given), dtype=pl.String, eager=True)}
    ).with_columns(pl.lit(None, pl.Int32).alias("status_byte"))
    if given.null_count() == len(given):
        return empty, ()
    gone = missing(given)
    spelled = given.filter(~gone).str.strip_chars().unique().to_list()
    is_decimal = _is_decimal(spelled)
    read = {text: read_status(text, is_decimal=is_decimal) for text in spelled}
    bare = given.str.strip_chars()
    words = {t: s.status for t, s in read.items() if s}
    found = pl.DataFrame(
        {
            "status": bare.replace_strict(words, default=None, return_dtype=pl.String),
            "status_byte": bare.replace_strict(
                {t: s.byte for t, s in read.items() if s}, default=None, return_dtype=pl.Int32
            ),
        }
    )
    _complain(given, ~gone & found["status"].is_null(), read, faults)
    return found.with_columns(pl.col("status").fill_null("unknown")), _notes(read, is_decimal=is_decimal)


def _is_decimal(spelled: list[str]) -> bool:
    bare = [t for t in spelled if _DECIMAL.match(t) or _HEX.match(t)]
    has_letters = any(re.search(r"[a-fA-F$xXhH]", t) for t in bare)
    return not has_letters and any(len(t) == 3 for t in bare)


def read_status(text: str, *, is_decimal: bool = False) -> Status | None:
    """Read one status cell; None where it is neither a byte nor known words.

    >>> read_status("0x2F"), read_status("testFailed, confirmedDTC")
    (Status(status='present', byte=47), Status(status='present', byte=9))
    """
    if is_decimal and (match := _DECIMAL.match(text)):
        byte = int(match[1])
        return Status(status_of_byte(byte), byte) if byte <= 0xFF else None
    if match := _BINARY.match(text):
        return Status(status_of_byte(int(match[1], 2)), int(match[1], 2))
    if match := _HEX.match(text):
        byte = int(next(g for g in match.groups() if g), 16)
        return Status(status_of_byte(byte), byte)
    if len(text) > 8 * SHORT_WORD:
        return None
    return _read_words(text)


def _read_words(text: str) -> Status | None:
    """The strongest of several words, or the byte that the names of bits make up."""
    known = known_words("status")
    if whole := known.get(fold(text)):
        return Status(whole)
    parts = [fold(p) for p in _PARTS.split(text) if p.strip()]
    if not parts:
        return None
    if all(p in _MASKS for p in parts):
        byte = sum({_MASKS[p] for p in parts})
        return Status(status_of_byte(byte), byte)
    words = [known.get(p) for p in parts]
    if any(w is None for w in words):
        return None
    return Status(min((w for w in words if w), key=ORDER.index))


def _complain(given: pl.Series, wrong: pl.Series, read: dict[str, Status | None], faults: Faults) -> None:
    if not wrong.any():
        return
    tidy = list(dict.fromkeys(known_words("status").values()))
    plain = f"Write one of {', '.join(tidy)}, or the status byte as 0x2F."
    advice = {
        t: f"Did you mean {h}?"
        for t, s in list(read.items())[:1000]
        if s is None and (h := nearest(t[:SHORT_WORD], tidy))
    }
    remedy = given.str.strip_chars().replace_strict(advice, default=plain, return_dtype=pl.String)
    faults.add(wrong, "status", given, "The word is not known for status", remedy, keeps_row=True)


def _notes(read: dict[str, Status | None], *, is_decimal: bool) -> tuple[str, ...]:
    if is_decimal:
        return ("The status numbers were read as decimal bytes, because some have three digits.",)
    unclear = [t for t, s in read.items() if s is not None and s.byte is not None and t.isdigit()]
    if any(len(t) < 8 for t in unclear):
        return ("The status numbers were read as hexadecimal bytes, as readers show them.",)
    return ()
