"""How a number is said with its noun."""

from __future__ import annotations

import re


def count_of(n: int | None, noun: str) -> str:
    """Say a count with its noun, in the singular for one: "1 scan", "1,200 scans", "2 entries".

    Parameters
    ----------
    n : int or None
        The count; None is said as 0.
    noun : str
        The noun in the singular, of the regular kind.
    """
    n = int(n or 0)
    many = re.sub(r"(?<=[^aeiou])y$", "ie", noun) + "s"
    return f"{n:,} {noun if n == 1 else many}"
