"""Columns that could be the van's or the time's though their names say nothing: asked about, never guessed."""

from __future__ import annotations

import re

from pipeline.normalise.text import SHORT_WORD
from pipeline.propose.asking import NONE_OF_THESE, Asking
from pipeline.propose.columns import Column
from pipeline.propose.roles import NO_TIMES, Roles
from pipeline.propose.times import time_of_form
from pipeline.propose.told import NOT_TAKEN

MOST_ASKED = 8
FILLED = 0.8
_TIMES = {"at", "scanned_at", "at_date", "at_time", "at_offset"}


def place_unnamed(roles: Roles, columns: list[Column], rows: int, told: set[str], asking: Asking) -> None:
    """Ask which column names the van and which the time, where no name tells and some column could.

    Parameters
    ----------
    roles : Roles
        Takes what is answered.
    columns : list of Column
        All columns that have a name.
    rows : int
        Rows looked at.
    told : set of str
        Tidy columns that the lines above the header tell.
    asking : Asking
        Takes the questions.
    """
    if roles.kind == "none":
        return
    if not _TIMES & set(roles.fields) and roles.kind != "register":
        _ask_form(roles, columns, asking)
    spare = [c for c in columns if c.key in roles.left_out and len(c.filled) >= FILLED * max(1, rows)]
    if not _TIMES & (set(roles.fields) | told) and roles.kind != "register":
        found = _ask(
            "time_column",
            "Which column tells when each row was recorded?",
            [c for c in spare if _is_time(c)],
            asking,
        )
        if found is not None:
            roles.place_time(found)
    if "van" not in roles.fields and "van" not in told:
        found = _ask("van_column", "Which column names the van?", [c for c in spare if _may_name(c)], asking)
        if found is not None:
            del roles.left_out[found.key]
            roles.fields["van"] = found


def _ask_form(roles: Roles, columns: list[Column], asking: Asking) -> None:
    """Ask how a column of times is written whose cells are of no form that is known; it is never passed over."""
    for column in columns:
        if roles.left_out.get(column.key) != NO_TIMES or not column.filled:
            continue
        asks = (
            f"The times of {column.key!r}, such as {column.filled[0]!r}, are of no form that is known."
            f" How are they written? Such as %d.%m.%Y %H:%M; or: {NOT_TAKEN}."
        )
        answer = asking.ask("time_form", column.key, asks)
        if answer and "%" in answer:
            column.times = time_of_form(answer)
            roles.place_time(column)
            return


def _ask(kind: str, asks: str, columns: list[Column], asking: Asking) -> Column | None:
    if not columns:
        return None
    choices = tuple(c.key for c in columns[:MOST_ASKED])
    shown = "; ".join(f"{c.key}: {c.filled[0]}" for c in columns[:3])
    answer = asking.ask(kind, kind, f"{asks} ({shown})", (*choices, NONE_OF_THESE))
    return next((c for c in columns if c.key == answer), None)


def _is_time(column: Column) -> bool:
    return column.times is not None


def _may_name(column: Column) -> bool:
    """Short cells, most with a digit, no measurements and no times: what a van may be called."""
    if column.times is not None or column.name.found is not None or column.share_of_codes > 0:
        return False
    short = all(len(c) <= SHORT_WORD for c in column.filled)
    digits = sum(bool(re.search(r"\d", c)) for c in column.filled)
    fractions = sum(bool(re.search(r"\d[.,](?!0+$)\d", c)) for c in column.filled)
    return short and digits >= FILLED * len(column.filled) and fractions == 0
