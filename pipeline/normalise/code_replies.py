"""Replies of control units as bytes, where a text keeps them: one row per code that they carry.

`43`, `47` and `4A` answer services 03, 07 and 0A of SAE J1979 (confirmed, pending, permanent codes): on CAN a
count follows, on older links three zero-padded codes a line. `59 02` answers service 19 subfunction 02 of
ISO 14229-1: a mask, then three bytes of code and the status byte. From memory of the standards.
"""

from __future__ import annotations

import re

import polars as pl

from pipeline.counted import count_of
from pipeline.normalise.code_rows import CodePart, spread_codes
from pipeline.normalise.codes import decode_two_byte

_REPLY = r"^\s*(?:43|47|4[Aa]|59 02)(?: [0-9A-Fa-f]{2}){1,400}\s*$"
_KINDS = {0x43: "confirmed", 0x47: "pending", 0x4A: "permanent"}
_PADDING = {0x00, 0x55, 0xAA, 0xFF}
_KLINE_BYTES = 6


def decode_reply(text: str) -> list[tuple[str, str]] | None:
    """Return the codes of a reply with their status; None where the bytes do not add up to one.

    >>> decode_reply("43 02 01 33 C1 00")
    [('P0133', 'confirmed'), ('U0100', 'confirmed')]
    >>> decode_reply("59 02 FF 04 01 22 2F")
    [('P0401-22', '0x2F')]
    """
    if not re.match(_REPLY, text):
        return None
    first, *rest = bytes.fromhex(text.strip())
    if first == 0x59:
        return _with_status(rest[2:])
    if len(rest) % 2:
        count, rest = rest[0], rest[1:]
        if 2 * count > len(rest) or not set(rest[2 * count :]) <= _PADDING:
            return None
        rest = rest[: 2 * count]
    elif len(rest) != _KLINE_BYTES:
        return None
    found = [decode_two_byte(a << 8 | b) for a, b in zip(rest[::2], rest[1::2], strict=True)]
    return [(code, _KINDS[first]) for code in found if code]


def _with_status(rest: list[int]) -> list[tuple[str, str]] | None:
    if len(rest) % 4:
        return None
    groups = [rest[i : i + 4] for i in range(0, len(rest), 4)]
    codes = [(decode_two_byte(a << 8 | b), kind, status) for a, b, kind, status in groups]
    return [(f"{code}-{kind:02X}", f"0x{status:02X}") for code, kind, status in codes if code]


def spell_replies(given: pl.DataFrame) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Put one row per code in place of each row whose code is a whole reply; a reply without codes gives none.

    Parameters
    ----------
    given : pl.DataFrame
        Rows of the tidy table `codes`, as text.

    Returns
    -------
    tuple
        The rows, and a note where any was a reply.
    """
    if "code" not in given.columns:
        return given, ()
    texts = given["code"].filter(given["code"].str.contains(_REPLY).fill_null(value=False)).unique().to_list()
    decoded = {text: found for text in texts if (found := decode_reply(text)) is not None}
    if not decoded:
        return given, ()
    parts = {text: [CodePart(code, status) for code, status in found] for text, found in decoded.items()}
    n_replies = int(given["code"].is_in(list(decoded)).sum())
    made = spread_codes(given, parts, overrides=True)
    n_codes = len(made) - len(given) + n_replies
    note = (
        f"{count_of(n_replies, 'reply')} of control units read as bytes:"
        f" {count_of(n_codes, 'code')} (SAE J1979, ISO 14229-1)."
    )
    return made, (note,)
