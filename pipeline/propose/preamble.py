"""Facts in the lines above the header: which van, when, which reader, which odometer."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipeline import vocabulary
from pipeline.propose.names import field_names
from pipeline.propose.times import Times, find_times

MILES, KILOMETRES = {"mi", "miles", "mls"}, {"km", "kms"}
_TAKEN = ("van", "reader", "reader_version", "odometer_km", "scanned_at", "at", "operator", "scan_id", "note")
_PAIR = re.compile(r"^\s*(?P<label>[^:=]{2,40}?)\s*[:=]\s*(?P<value>\S(?:.*\S)?)?\s*$")


@dataclass(frozen=True)
class Fact:
    """One fact: its tidy column, the expression that finds it, what it found here, its time if it is one."""

    column: str
    pattern: str
    value: str
    label: str
    times: Times | None = None
    has_unit: bool = False


def find_facts(preamble: list[list[str]], mark: str) -> list[Fact]:
    """Find labelled facts in the cells above the header.

    Parameters
    ----------
    preamble : list of list of str
        Cells of the lines above the header.
    mark : str
        What parts the cells of such a line when it is read as text: the delimiter, a tab in a workbook.
    """
    found: dict[str, Fact] = {}
    for row in preamble:
        pieces = [p for cell in row for p in re.split(r"\s{2,}|;\s*", cell)]
        for i, piece in enumerate(pieces):
            pair = _PAIR.match(piece)
            label = pair["label"] if pair else piece.strip().rstrip(":= ")
            following = next((p.strip() for p in pieces[i + 1 :] if p.strip()), "")
            value = (pair["value"] if pair else None) or following
            column = field_names().get(vocabulary.fold(label))
            if column in _TAKEN and value and column not in found:
                fact = _fact(column, label.strip(), value, mark)
                if fact is not None:
                    found.setdefault(fact.column, fact)
    return list(found.values())


def _fact(column: str, label: str, value: str, mark: str) -> Fact | None:
    stop = re.escape(mark) if mark != "\t" else r"\t"
    quote = '"?'
    start = rf"(?i){_literal(label)}\s*[:=]?[ \t]*{quote}[{stop}\s]*{quote}\s*"
    if column == "odometer_km":
        number = re.match(r"[\d.,' ]*\d", value)
        if number is None:
            return None
        rest = value[number.end() :].strip().casefold()
        target = "odometer_mi" if rest in MILES else "odometer_km"
        return Fact(target, start + r"([\d.,' ]*\d)", number[0], label, has_unit=rest in MILES | KILOMETRES)
    if column in {"scanned_at", "at"}:
        times = find_times([value])
        if times is None:
            return None
        target = {"day": "at_date", "clock": "at_time"}.get(times.kind, "scanned_at")
        return Fact(target, start + rf"([^{stop}\n\"]*\d(?: ?[AaPp][Mm])?)", value, label, times)
    return Fact(column, start + rf"([^{stop}\s\"]+(?: [^{stop}\s\"]+)*)", value, label)


def _literal(text: str) -> str:
    return re.escape(text).replace(r"\ ", " ").replace(r"\-", "-").replace("/", "/")
