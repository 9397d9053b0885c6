"""Decimal and thousands marks by the evidence of all numbers of a file: one file, one way of writing."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

_SIGN = r"[+\-−]?"
_SPACE = "[ \u00a0\u2009\u202f]"
NUMBER = re.compile(rf"^\s*({_SIGN}(?:\d[\d.,'\u00a0\u2009\u202f ]*|[.,]\d+))(?:[eE][+-]?\d+)?-?\s*$")
_ONE_MARK = re.compile(r"^(\d*)([.,])(\d+)$")


@dataclass(frozen=True)
class Marks:
    """The marks of a file; `doubtful` is a number that can be read in two ways, where nothing decides.

    `is_mixed`: the file writes numbers in more than one way. `is_unseen`: no number has any mark.
    """

    decimal: str = "."
    thousands: str = ""
    doubtful: str | None = None
    is_mixed: bool = False
    is_unseen: bool = False


def find_marks(cells: Iterable[str]) -> Marks:
    """Find the marks.

    Parameters
    ----------
    cells : iterable of str
        Number texts, without units.
    """
    decimals: set[str] = set()
    thousands: set[str] = set()
    doubtful: list[tuple[str, str]] = []
    for cell in cells:
        found = NUMBER.match(cell)
        if found is None:
            continue
        text = found[1].lstrip("+-−").strip()
        grouped = re.match(
            rf"^\d{{1,3}}(?:({_SPACE}|')\d{{3}})(?:(?:{_SPACE}|')\d{{3}})*(?:([.,])\d+)?$", text
        )
        if grouped:
            thousands.add("'" if grouped[1] == "'" else " ")
            decimals |= {grouped[2]} if grouped[2] else set()
            continue
        marks = [c for c in text if c in ".,"]
        if len(set(marks)) == 2:
            decimals.add(marks[-1])
            thousands.add(marks[0])
        elif len(marks) > 1:
            thousands.add(marks[0])
        elif marks:
            one = _ONE_MARK.match(text)
            if one is None:
                continue
            is_group = len(one[3]) == 3 and 1 <= len(one[1]) <= 3 and not one[1].startswith("0")
            if is_group:
                doubtful.append((text, one[2]))
            else:
                decimals.add(one[2])
    return _decide(decimals, thousands, doubtful)


def _decide(decimals: set[str], thousands: set[str], doubtful: list[tuple[str, str]]) -> Marks:
    parted = next(iter(thousands - decimals), "")
    if len(decimals) > 1 or (decimals & thousands) or len(thousands) > 1:
        return Marks(is_mixed=True)
    if decimals:
        decimal = next(iter(decimals))
        others = {mark for _, mark in doubtful} - {decimal}
        return Marks(decimal, parted or next(iter(others), ""))
    if parted in {".", ","}:
        return Marks("," if parted == "." else ".", parted)
    if doubtful:
        return Marks(".", parted, doubtful=doubtful[0][0])
    return Marks(".", parted, is_unseen=not parted)
