"""The one error a person sees: what happened, where, and what to do next."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class KinbayError(Exception):
    """A fault that stops the work in hand, said so that a person can act on it.

    Parameters
    ----------
    what : str
        What happened, in one sentence without a full stop.
    where : str
        The file, line or setting it concerns; empty where there is none.
    remedy : str
        What to do next.
    """

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what, self.where, self.remedy = what, where, remedy
        super().__init__(what, where, remedy)

    def __str__(self) -> str:
        place = f" ({self.where})" if self.where else ""
        advice = f" {self.remedy}" if self.remedy else ""
        return f"{self.what}{place}.{advice}"


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name closest to `name`, or None where none is close.

    Case is ignored; the comparison is the ratio of matching blocks (difflib), cut off at 0.6.
    """
    folded = {k.casefold(): k for k in known}
    found = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None
