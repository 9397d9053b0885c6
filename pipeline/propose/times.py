"""Dates and times by the evidence of a whole column: every order that all its values allow is kept."""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

_CLOCK = r"(?P<clock>\d{1,2}:\d{2}(?P<second>:\d{2}(?P<fraction>[.,]\d+)?)?(?P<half> ?[AaPp]\.?[Mm]\.?)?)"
_DATE = re.compile(
    rf"^(?P<a>\d{{1,4}})(?P<mark>[./-])(?P<b>\d{{1,2}})(?P=mark)(?P<c>\d{{2,4}})(?:(?P<gap>[ T]|, ?|  ?){_CLOCK})?$"
)
_ISO = re.compile(
    r"^\d{4}-\d{2}-\d{2}(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?)?(?: ?(?:Z|[+-]\d{2}:?\d{2}))?$"
)
_NAMED = re.compile(
    rf"^(?P<day>\d{{1,2}})(?P<one>[ .-]{{1,2}})(?P<month>[A-Za-z]{{3,9}})(?P<two>[ .,-]{{1,2}})(?P<year>\d{{4}}|\d{{2}})(?:(?P<gap>[ T]|, ?){_CLOCK})?$"
)
_COMPACT = re.compile(r"^(?:19|20)\d{6}(?:\d{6})?$")
_MONTHS = {name.casefold() for name in (*calendar.month_name, *calendar.month_abbr) if name}
MOST = 0.9  # a few cells of a column of times may be something else: they are refused line by line
_ONLY_CLOCK = re.compile(rf"^{_CLOCK}$")
_NUMBERED = re.compile(r"^\d{8,14}(?:[.,]\d+)?$")
_ANY = (_ISO, _ONLY_CLOCK, _DATE, _NAMED, _NUMBERED)
UTC_WORDS = ("utc", "gmt", "zulu", "z")
ORDERS = {"DMY": "day first", "MDY": "month first", "YMD": "year first"}


@dataclass(frozen=True)
class Times:
    """What a column of times is.

    Parameters
    ----------
    kind : str
        `moment` (date and clock), `day`, `clock`, `epoch_s`, `epoch_ms`.
    orders : tuple[str, ...]
        The orders of day, month and year that every value allows; empty for ISO 8601.
    shapes : tuple[tuple[str, str, str], ...]
        Mark between the numbers, form of the year (`%Y`, `%y`), form of the clock, each once.
    forms : tuple[str, ...]
        strptime forms that need no order, such as those with the name of a month.
    """

    kind: str
    orders: tuple[str, ...] = ()
    shapes: tuple[tuple[str, str, str], ...] = ()
    forms: tuple[str, ...] = ()

    def formats(self, order: str) -> list[str]:
        """Return the strptime formats under one order."""
        made = []
        for mark, year, clock in self.shapes:
            numbers = mark.join({"D": "%d", "M": "%m", "Y": year}[c] for c in order)
            made.append(numbers + clock)
        return made


def find_times(cells: Iterable[str]) -> Times | None:
    """Say what a column's filled cells are; None where they are no times."""
    filled = [c.strip() for c in cells if c.strip()]
    texts = [t for t in filled if any(p.match(t) for p in _ANY)]
    if not texts or len(texts) < MOST * len(filled):
        return None
    if all(_NAMED.match(t) for t in texts):
        return _named(texts)
    if all(_COMPACT.match(t) for t in texts):
        clock = "%H%M%S" if all(len(t) > 8 for t in texts) else ""
        is_day = all(_is_calendar(t[:4], t[4:6], t[6:8]) for t in texts)
        whole = Times("moment" if clock else "day", (), (), ("%Y%m%d" + clock,))
        return whole if is_day and len({len(t) for t in texts}) == 1 else None
    if all(_ISO.match(t) for t in texts):
        return Times("moment" if any(":" in t for t in texts) else "day")
    if all(_ONLY_CLOCK.match(t) for t in texts):
        forms = {_clock_form(m) for t in texts if (m := _ONLY_CLOCK.match(t))}
        return Times("clock", (), tuple(("", "", f) for f in sorted(forms)))
    if all(re.fullmatch(r"\d{10}(?:[.,]\d+)?", t) for t in texts) and all(
        6e8 < float(t[:10]) < 2.5e9 for t in texts
    ):
        return Times("epoch_s")
    if all(re.fullmatch(r"\d{13}", t) for t in texts) and all(6e11 < float(t) < 2.5e12 for t in texts):
        return Times("epoch_ms")
    found = [_DATE.match(t) for t in texts]
    dates = [m for m in found if m is not None]
    if len(dates) != len(texts):
        return None
    return _dates(dates)


def time_of_form(form: str) -> Times:
    """Return the times of a strptime form that a person told."""
    has_clock, has_day = re.search(r"%[HIkl]", form), "%d" in form or "%j" in form
    kind = "moment" if has_clock and has_day else "clock" if has_clock else "day"
    return Times(kind, (), (("", "", form),) if kind == "clock" else (), () if kind == "clock" else (form,))


def _named(texts: list[str]) -> Times | None:
    """Dates with an English month name; others have to be told."""
    forms: dict[str, None] = {}
    for m in (_NAMED.match(t) for t in texts):
        if m is None or m["month"].casefold() not in _MONTHS:
            return None
        year = "%Y" if len(m["year"]) == 4 else "%y"
        clock = (m["gap"] + _clock_form(m)) if m["clock"] else ""
        forms[f"%d{m['one']}%B{m['two']}{year}{clock}"] = None
    return Times("moment" if any("%H" in f or "%I" in f for f in forms) else "day", (), (), tuple(forms))


def _is_calendar(year: str, month: str, day: str) -> bool:
    try:
        return 1990 <= date(int(year), int(month), int(day)).year <= 2100
    except ValueError:
        return False


def _clock_form(found: re.Match[str]) -> str:
    """The strptime form of a clock."""
    second = (":%S" + ("%.f" if found["fraction"] else "")) if found["second"] else ""
    if found["half"]:
        return "%I:%M" + second + (" %p" if found["half"].startswith(" ") else "%p")
    return "%H:%M" + second


def _dates(found: list[re.Match[str]]) -> Times:
    orders = tuple(o for o in ORDERS if all(_is_day(m, o) for m in found))
    shapes: dict[tuple[str, str, str], None] = {}
    for m in found:
        year = "%Y" if max(len(m["a"]), len(m["c"])) == 4 else "%y"
        clock = (m["gap"] + _clock_form(m)) if m["clock"] else ""
        shapes[m["mark"], year, clock] = None
    kind = "moment" if any(m["clock"] for m in found) else "day"
    return Times(kind, orders, tuple(shapes))


def _is_day(found: re.Match[str], order: str) -> bool:
    """Whether the three numbers are a day of the calendar in this order."""
    parts = dict(zip(order, (found["a"], found["b"], found["c"]), strict=True))
    if len(parts["D"]) > 2 or len(parts["M"]) > 2 or len(parts["Y"]) not in {2, 4}:
        return False
    year = int(parts["Y"]) + (2000 if len(parts["Y"]) == 2 else 0)
    try:
        return 1990 <= date(year, int(parts["M"]), int(parts["D"])).year <= 2100
    except ValueError:
        return False
