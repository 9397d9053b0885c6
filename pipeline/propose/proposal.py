"""A layout proposed for a file: what is certain is written down, what is not is asked, once."""

from __future__ import annotations

import glob
import hashlib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.errors import KinbayError
from pipeline.normalise.questions import Question
from pipeline.propose.asking import Key
from pipeline.propose.column_tables import (
    add_codes,
    add_facts,
    add_file_name_day,
    add_module,
    add_reader,
    add_readings,
    field_columns,
    show_columns,
)
from pipeline.propose.draft import Draft, look
from pipeline.propose.file_tables import file_table, find_file_marks, skip_tables, time_table
from pipeline.propose.numbers import Marks
from pipeline.propose.text_report import BUS_LINE, propose_report
from pipeline.propose.writing import to_toml
from pipeline.read.layouts import Layout
from pipeline.read.recognise import lacking
from pipeline.read.sources import Source

MOST_MATCH_HEADERS = 12


@dataclass(frozen=True)
class Proposal:
    """What a file was found to be.

    Parameters
    ----------
    file : str
        The file as a person knows it.
    toml : str
        The layout proposed.
    table : dict
        The same as an object.
    layout : Layout or None
        The same, usable; None where questions leave nothing to read.
    mapping : list of dict
        One entry per column or label: what it is taken for and how sure that is.
    questions : tuple of Question
        What has to be answered before the layout can be used.
    facts : tuple of Question
        What has to be told about every single file of the kind, such as its van.
    answered : tuple of Question
        What was asked and has its answer.
    """

    file: str
    toml: str
    table: dict[str, Any]
    layout: Layout | None
    mapping: list[dict[str, Any]]
    questions: tuple[Question, ...]
    facts: tuple[Question, ...] = ()
    answered: tuple[Question, ...] = ()

    @property
    def name(self) -> str:
        """The layout's name."""
        return str(self.table["name"])

    @property
    def is_complete(self) -> bool:
        """Whether the layout can be used as it stands."""
        return self.layout is not None and not self.questions


def propose(
    source: Source,
    answers: Mapping[Key, str] | None = None,
    name: str | None = None,
    taken_names: Iterable[str] = (),
    *,
    asks_columns: bool = False,
) -> Proposal:
    """Look at a file and propose a layout.

    Parameters
    ----------
    source : Source
        The file; only its first rows are looked at.
    answers : mapping, optional
        Answers to questions of an earlier proposal, by kind and subject.
    name : str, optional
        What to call the layout; else by the file's name.
    taken_names : iterable of str
        Names that are taken.
    asks_columns : bool
        Whether a file of which no column is known is still proposed, with what is missing as a question.

    Raises
    ------
    KinbayError
        Where the file cannot be read, nothing in it is known, or an answer names no reading and no column.
    """
    draft, report = _drafted(source, answers or {}, asks_columns=asks_columns)
    marks = find_file_marks(draft)
    table: dict[str, Any] = {"name": name or _told_name(draft, set(taken_names)), "title": _title(source)}
    if report is not None:
        return _finish(draft, _report_table(draft, table | report, marks))
    table["feeds"] = draft.roles.feeds
    table["match"] = {}
    table["file"] = file_table(draft, marks)
    table["time"] = time_table(draft)
    table["constants"], table["preamble"], table["file_name"] = {}, {}, {}
    add_facts(draft, table)
    table["skip"] = skip_tables(draft.structure)
    table["columns"] = field_columns(draft)
    add_codes(draft, table)
    add_readings(draft, table)
    add_file_name_day(draft, table)
    add_reader(draft, table)
    add_module(draft, table)
    table["match"] = _match(draft)
    return _finish(draft, table)


def _drafted(
    source: Source, answers: Mapping[Key, str], *, asks_columns: bool
) -> tuple[Draft, dict[str, Any] | None]:
    """The file as a table, or as a text report where it is none."""
    try:
        return look(source, answers, asks_columns=False), None
    except KinbayError:
        report = propose_report(source, answers)
        if report is not None:
            return report
        return look(source, answers, asks_columns=asks_columns), None


def _report_table(draft: Draft, table: dict[str, Any], marks: Marks) -> dict[str, Any]:
    """The tables of a text report that say how it is written, before its lines."""
    lines = table.pop("line")
    table |= {"file": file_table(draft, marks), "time": time_table(draft)}
    if any(line["pattern"] == BUS_LINE for line in lines):
        table["time"]["formats"] = [*table["time"].get("formats", []), "epoch_s"]
    table = {"constants": {}, "columns": {}, "preamble": {}} | table
    if not any(f.column == "reader" for f in draft.facts):
        add_reader(draft, table)
    return table | {"line": lines}


def _match(draft: Draft) -> dict[str, Any]:
    """How a file of the kind is known: by its headers; without a header by its name, digits left open."""
    if draft.structure.names:
        return {"file_name": re.sub(r"\d+", "*", glob.escape(Path(draft.source.name).name))}
    return {"headers": list(dict.fromkeys(draft.used))[:MOST_MATCH_HEADERS]}


def _title(source: Source) -> str:
    return f"Proposed from {Path(source.name).name}"


def _told_name(draft: Draft, taken: set[str]) -> str:
    """The layout's name as answered, where it can be one and is not taken; else one by the file's name."""
    told = draft.asking.answers.get(("name", "layout"), "").strip()
    if told and re.fullmatch(r"[\w\-]{1,60}", told) and told not in taken:
        draft.asking.ask("name", "layout", "What is this kind of file called?")
        return told
    if told:
        asks = f"{told!r} is taken, or holds more than letters, digits, _ and -. Which other name?"
        draft.asking.open.append(Question("name", "layout", asks, ()))
    return _name(draft, taken)


def _name(draft: Draft, taken: set[str]) -> str:
    stem = re.sub(r"[^a-z]+", "_", Path(draft.source.name).stem.casefold()).strip("_")[:40]
    if len(stem) < 3:
        stem = "export"
    base = stem
    if stem in taken:
        base = f"{stem}_{hashlib.sha256('|'.join(draft.structure.header).encode()).hexdigest()[:6]}"
    return base


def _finish(draft: Draft, table: dict[str, Any]) -> Proposal:
    table = {k: v for k, v in table.items() if v}
    remarks = [f"Proposed from {draft.source.name}. Check it, then: kinbay layout FILE --accept"]
    remarks += [f"Asked: {q.asks}" for q in draft.asking.open]
    remarks += [
        f"Not taken: {m['column']} ({m['how']})" for m in draft.mapping if m["confidence"] == "left out"
    ]
    toml = to_toml(table, remarks)
    show_columns(draft)
    layout = None
    try:
        layout = Layout.model_validate(tomllib.loads(toml))
    except ValidationError:
        if not draft.asking.open:
            raise
    return Proposal(
        draft.source.name, toml, table, layout, draft.mapping, tuple(draft.asking.open),
        _facts(table), tuple(q for q in draft.asking.asked if q not in draft.asking.open),
    )  # fmt: skip


def _facts(table: Mapping[str, Any]) -> tuple[Question, ...]:
    """What every file of the kind has to be told about itself."""
    targets = {
        *(g for line in table.get("line", ()) for g in re.findall(r"\(\?P<(\w+)>", line["pattern"])),
        *table.get("columns", {}).values(),
        *table.get("preamble", {}),
        *table.get("constants", {}),
        *table.get("file_name", {}),
    }
    asks = {
        "van": "Which van is the file about?",
        "scanned_at": "When was the file recorded? Write it as 2026-03-02T07:40:00.",
        "at_date": "On which day was the file recorded? Write it as 2026-03-02.",
    }
    return tuple(
        Question("fact", c, asks[c], ()) for c in lacking(table["feeds"], targets | {"reader"}) if c in asks
    )
