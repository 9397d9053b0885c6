"""A text report or a log without columns: its lines sorted by what they say, and an expression for each sort.

Facts (`Vehicle: 047`), codes with text and status, readings (`Rail pressure: 285 bar`), headings that name control
units, and whole replies in hexadecimal. Lines that are none of these are left for a person: the load counts them,
and lists those with a code. Nothing is said about modules unless every heading is a known one, and none is ever
counted as having answered.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline import vocabulary
from pipeline.normalise.code_cells import says_no_code
from pipeline.normalise.code_status import read_status
from pipeline.propose.asking import Asking, Key
from pipeline.propose.column_tables import entry, odometer_column
from pipeline.propose.columns import Column
from pipeline.propose.draft import Draft
from pipeline.propose.grid import HEAD_BYTES, Grid, decode_head
from pipeline.propose.names import Name, field_names, suggestions, take_apart
from pipeline.propose.numbers import NUMBER
from pipeline.propose.preamble import KILOMETRES, MILES, Fact
from pipeline.propose.readings import map_labels
from pipeline.propose.roles import Roles
from pipeline.propose.structure import Structure
from pipeline.propose.times import find_times
from pipeline.read.replies import read_reply
from pipeline.read.sources import Source
from pipeline.vocabulary.modules import find_module

MOST_LINES = 20_000
_CODE = r"[PCBU][0-3][0-9A-F]{3}(?:-[0-9A-F]{2})?"
_BULLET = r"^\s*(?:[-*•]\s*|\d{1,3}[.)]\s+)?(?:(?:fault|trouble|error|dtc|code|fehler|fehlercode|défaut|defaut|código|codigo|avería|averia)(?:\s+code)?\s*[:#]?\s+)?"
_CODE_LINE = re.compile(rf"{_BULLET}(?P<code>{_CODE})\b[\s:.–-]*(?P<rest>.*?)\s*$", re.IGNORECASE)
_NUMBER = r"[+\-−]?(?:\d[\d.,' ]*\d|\d)"
_PAIR = re.compile(r"^\s*(?P<label>[^:=]{2,60}?)\s*[:=]\s*(?P<value>\S.*?)\s*$")
_VALUE = re.compile(rf"^(?P<value>{_NUMBER})\s*(?P<unit>[^\d\s:=][^:=]*)?$")
_READING_LINE = (
    rf"^\s*(?P<parameter>[^:=]{{2,60}}?)\s*[:=]\s*(?P<value>{_NUMBER})\s*(?P<unit>[^\d\s:=][^:=]*)?$"
)
_HEADING_LINE = r"^\s*(?P<module>[^\d:=]{2,40}?)\s*:?\s*$"
_REPLY = r"(?:(?:[0-9A-Fa-f]{3}|18DA[0-9A-Fa-f]{4})(?:\s*#\s*|\s+))?(?:[0-9A-Fa-f]{2}\s*){2,}"
_REPLY_LINE = rf"^\s*>?\s*(?P<reply>{_REPLY})$"
BUS_LINE = r"^\s*\((?P<at>\d{10}(?:\.\d+)?)\)\s+\S+\s+(?P<reply>[0-9A-Fa-f]{3,8}#[0-9A-Fa-f]*)\s*$"
_BETWEEN = r"(?:\s{2,}|;\s*|\t).*?"
_FACTS = ("van", "scanned_at", "at", "odometer_km", "reader", "reader_version", "operator", "module")


@dataclass
class _Sorted:
    """The lines of a report by what they say."""

    facts: list[tuple[tuple[str, str, str], ...]] = field(default_factory=list)
    codes: list[str] = field(default_factory=list)
    readings: list[list[str]] = field(default_factory=list)
    headings: list[str] = field(default_factory=list)
    silent: list[str] = field(default_factory=list)
    others: list[str] = field(default_factory=list)
    replies: list[str] = field(default_factory=list)
    bus: list[str] = field(default_factory=list)

    @property
    def says_something(self) -> bool:
        """Whether there is a code, a reading or a reply among them."""
        return bool(self.codes or self.readings or len(self.replies) + len(self.bus) > 1)


def propose_report(source: Source, answers: Mapping[Key, str]) -> tuple[Draft, dict[str, Any]] | None:
    """Describe a text by `[[line]]` expressions.

    Returns
    -------
    tuple or None
        The draft with its questions and the layout's tables; None where the text says nothing that is known, or
        says it in a way that lines alone cannot tell.
    """
    if source.format != "csv":
        return None
    with source.path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    encoding, text = decode_head(head, is_whole=len(head) < HEAD_BYTES)
    lines = text.split("\n")[:MOST_LINES]
    found = _sort(lines)
    vans = Counter(c for facts in found.facts for c, _, _ in facts)
    if not found.says_something or (vans["scanned_at"] > max(1, vans["van"])):
        return None
    written = {"format": "text"} | ({"encoding": encoding} if encoding not in {"utf-8", "utf-8-sig"} else {})
    draft = _draft(source, Grid([], dict(written), lines=tuple(lines)), found, Asking(answers))
    return draft, _tables(draft, found, begins_scan=vans["van"] > 1)


def _sort(lines: list[str]) -> _Sorted:
    found = _Sorted()
    for line in lines:
        if line.strip():
            _sort_line(line, found)
    return found


def _sort_line(line: str, found: _Sorted) -> None:
    bare = line.strip(" \t:-–*•")
    if re.match(BUS_LINE, line):
        found.bus.append(line)
    elif re.match(_REPLY_LINE, line) and not read_reply(line).problem:
        found.replies.append(line)
    elif code := _CODE_LINE.match(line):
        found.codes.append(code["rest"])
    elif facts := _facts_of(line):
        found.facts.append(facts)
    elif reading := _reading_of(line):
        found.readings.append(reading)
    elif says_no_code(bare):
        found.silent.append(bare)
    elif find_module(bare):
        found.headings.append(bare)
    else:
        found.others.append(line.strip())


def _facts_of(line: str) -> tuple[tuple[str, str, str], ...]:
    """Column, label and value of the facts that stand on a line."""
    found = []
    for piece in re.split(r"\t|;\s*|\s{2,}", line.strip()):
        pair = _PAIR.match(piece)
        column = field_names().get(vocabulary.fold(pair["label"])) if pair else None
        if pair is None or column not in _FACTS:
            continue
        if column in {"at", "scanned_at"}:
            times = find_times([pair["value"]])
            if times is None:
                continue
            column = {"day": "scanned_at_date", "clock": "scanned_at_time"}.get(times.kind, "scanned_at")
        found.append((column, pair["label"].strip(), pair["value"]))
    return tuple(found)


def _reading_of(line: str) -> list[str]:
    """Label, value and unit of a reading; empty where the line is none."""
    pair = _PAIR.match(line)
    value = _VALUE.match(pair["value"]) if pair else None
    if pair is None or value is None:
        return []
    name = take_apart(pair["label"].strip())
    if name.found is None and not suggestions(name.bare):
        return []
    return [pair["label"].strip(), value["value"], (value["unit"] or "").strip()]


def _draft(source: Source, grid: Grid, found: _Sorted, asking: Asking) -> Draft:
    columns = [
        Column(i, key, Name(key, key, None, None, key), [r[i] for r in found.readings])
        for i, key in enumerate(("parameter", "value", "unit"))
    ]
    columns[1].numbers = [r[1] for r in found.readings if NUMBER.match(r[1])]
    roles = Roles("long", {c.key: c for c in columns})
    structure = Structure(0, ["parameter", "value", "unit"], None, found.readings, [], [])
    draft = Draft(source, grid, structure, [], roles, asking)
    for column, label, value in (f for facts in found.facts for f in facts):
        if column not in {f.column for f in draft.facts}:
            number = re.match(_NUMBER, value) if column == "odometer_km" else None
            draft.facts.append(Fact(column, "", number[0] if number else value, label, find_times([value])))
    return draft


def _tables(draft: Draft, found: _Sorted, *, begins_scan: bool) -> dict[str, Any]:
    """The layout's tables but for those that say how numbers and times are written."""
    lines: list[dict[str, Any]] = [_fact_line(facts, draft, begins_scan=begins_scan) for facts in found.facts]
    lines = list({line["pattern"]: line for line in lines}.values())
    feeds = ["scans"]
    lines += [{"table": "replies", "pattern": BUS_LINE}] if found.bus else []
    lines += [{"table": "replies", "pattern": _REPLY_LINE}] if found.replies else []
    replies = [
        read_reply(line.split(")")[-1].split()[-1] if line in found.bus else line)
        for line in (*found.bus, *found.replies)
    ]
    if found.readings or any(r.readings for r in replies):
        feeds.append("readings")
    if found.codes or any(r.codes for r in replies):
        feeds.append("codes")
    if any(r.frames for r in replies):
        feeds.append("freeze_frames")
    lines += _code_lines(found.codes)
    table: dict[str, Any] = {"feeds": feeds}
    if found.readings:
        lines.append({"table": "readings", "pattern": _READING_LINE})
        table["long"] = _labels(draft)
    lines += [{"pattern": rf"(?i)^[\s*•-]*{re.escape(s)}[\s.]*$"} for s in dict.fromkeys(found.silent)]
    if found.headings and not _strange_headings(found):
        lines.append({"pattern": _HEADING_LINE})
        draft.mapping.append(entry("headings", field="module", how="known control units"))
    table["line"] = lines
    table["match"] = _match(draft, found)
    draft.mapping += [
        entry(t[:60], how="no sort that is known", confidence="left out") for t in dict.fromkeys(found.others)
    ]
    if any(r.frames and not r.control_unit for r in replies):
        answer = draft.asking.ask("module", "module", "Which control unit answers in files of this kind?")
        table["constants"] = {"module": answer} if answer else {}
    return table


def _fact_line(facts: tuple[tuple[str, str, str], ...], draft: Draft, *, begins_scan: bool) -> dict[str, Any]:
    """One expression for the facts of a line."""
    parts = []
    for column, label, value in facts:
        target, told = column, r"\S.*?"
        if column == "odometer_km":
            number = re.match(_NUMBER, value)
            unit = value[number.end() :].strip().casefold() if number else ""
            known = "km" if unit in KILOMETRES else "mi" if unit in MILES else ""
            target, told = odometer_column(known, label, label, draft) or "", rf"{_NUMBER}"
        group = f"(?P<{target}>{told})" if target else told
        tail = r"(?:\s*(?:km|kms|mi|miles|mls))?" if column == "odometer_km" else ""
        parts.append(rf"{re.escape(label)}\s*[:=]\s*{group}{tail}".replace(r"\ ", " "))
        draft.mapping.append(
            entry(label, field=target or column, how="its name", confidence="certain" if target else "asked")
        )
    together = _BETWEEN.join(parts)
    line: dict[str, Any] = {"pattern": rf"(?i)^\s*{together}\s*(?:[;\t].*)?$"}
    if begins_scan and any(c == "van" for c, _, _ in facts):
        line["begins_scan"] = True
    return line


def _code_lines(rests: list[str]) -> list[dict[str, Any]]:
    """Codes with the status words that end their lines, then codes with text alone."""
    if not rests:
        return []
    ends = [re.search(r"([^\s(),;:–-]+)\)?$", r) for r in rests]
    words = dict.fromkeys(m[1] for m in ends if m and not m[1].isdigit() and read_status(m[1]) is not None)
    start = rf"(?i){_BULLET}(?P<code>{_CODE})\b"
    plain = {"table": "codes", "pattern": rf"{start}[\s:.–-]*(?P<text>.*?)\s*$"}
    if not words:
        return [plain]
    known = "|".join(re.escape(w) for w in words)
    with_status = rf"{start}[\s:.–-]*(?P<text>.*?)[\s,;:(–-]+(?P<status>{known})\)?\s*$"
    return [{"table": "codes", "pattern": with_status}, plain]


def _labels(draft: Draft) -> dict[str, Any]:
    found = map_labels(draft.structure, draft.roles.fields, draft.asking)
    draft.mapping += found.mapping
    long: dict[str, Any] = {"parameter": "parameter", "value": "value", "unit": "unit"}
    return long | {"labels": found.labels, "units": found.units}


def _strange_headings(found: _Sorted) -> bool:
    """Whether other lines could be headings too, so that a code could come under the wrong control unit."""
    shaped = [o for o in found.others if re.match(_HEADING_LINE, o)]
    return len(shaped) > 1 or (len(shaped) == 1 and found.others[0] != shaped[0])


def _match(draft: Draft, found: _Sorted) -> dict[str, Any]:
    """Known by its title or first label, and the ending of its name."""
    suffix = Path(draft.source.name).suffix
    title = next((o for o in found.others if not re.search(r"\d", o) and len(o) > 4), "")
    label = title or next((label for facts in found.facts for _, label, _ in facts), "")
    name = f"*{suffix}" if label else re.sub(r"\d+", "*", Path(draft.source.name).name)
    return ({"text": label} if label else {}) | {"file_name": name}
