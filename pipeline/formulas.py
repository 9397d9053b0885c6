"""Which texts a spreadsheet would run as a formula, and how they are made harmless in CSV."""

from __future__ import annotations

import re

STARTS = r"^\s*[=+\-@|%]|^[\t\r\n]"
"""Pattern of a text that starts like a formula; reads alike in Python and in DuckDB.

The starting characters are those of the OWASP note on CSV injection (= + - @, tab, carriage return), with
| and % for older spreadsheet programs.
"""
_STARTS = re.compile(STARTS)


def is_formula(text: str) -> bool:
    """Say whether a spreadsheet might run a text as a formula."""
    return _STARTS.match(text) is not None


def defuse(text: str) -> str:
    """Return a text that is harmless as a cell: one that starts like a formula gets an apostrophe."""
    return f"'{text}" if is_formula(text) else text
