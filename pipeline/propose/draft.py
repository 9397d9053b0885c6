"""A file on its way to a layout: the table in which most is known, its parts, and what is asked about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pipeline.errors import KinbayError
from pipeline.propose.asking import Asking, Key
from pipeline.propose.columns import Column, find_columns
from pipeline.propose.grid import Grid, read_grids
from pipeline.propose.preamble import Fact, find_facts
from pipeline.propose.roles import Roles, find_roles
from pipeline.propose.structure import Structure, find_structure
from pipeline.propose.told import KIND, NOT_TAKEN, WHY_NOT, apply_told
from pipeline.propose.unnamed import place_unnamed
from pipeline.read.sources import Source


@dataclass
class Draft:
    """The layout while it is put together."""

    source: Source
    grid: Grid
    structure: Structure
    columns: list[Column]
    roles: Roles
    asking: Asking
    facts: list[Fact] = field(default_factory=list)
    mapping: list[dict[str, Any]] = field(default_factory=list)
    used: list[str] = field(default_factory=list)


def look(source: Source, answers: Mapping[Key, str], *, asks_columns: bool) -> Draft:
    """The table of the file in which most is known."""
    found: list[tuple[int, Draft]] = []
    first: KinbayError | None = None
    for grid in read_grids(source):
        try:
            structure = find_structure(grid)
        except KinbayError as fault:
            first = first or fault
            continue
        columns = find_columns(structure)
        asking = Asking(answers)
        if structure.names:
            _ask_each(columns, asking)
        kept, as_told = apply_told(columns, asking)
        roles = find_roles(kept, len(structure.body), asking)
        roles.left_out |= as_told
        known = len(roles.fields) + len(roles.readings) + (100 if roles.kind != "none" else 0)
        found.append((known, Draft(source, grid, structure, columns, roles, asking)))
    if not found:
        raise first or KinbayError("The file holds no rows", source.name, "Give a file with rows.")
    draft = _chosen(found)
    if draft.roles.kind == "none" and not draft.structure.names:
        _ask_for_columns(draft, asks_columns=asks_columns)
    if not draft.structure.body:
        raise KinbayError(
            "The file has a header and no rows", source.name, "Give a file of the same kind with some rows."
        )
    draft.facts = _useful_facts(draft)
    told = {f.column for f in draft.facts}
    if draft.structure.names:
        return draft
    open_columns = [c for c in draft.columns if draft.roles.left_out.get(c.key) != WHY_NOT]
    place_unnamed(draft.roles, open_columns, len(draft.structure.body), told, draft.asking)
    return draft


def _chosen(found: list[tuple[int, Draft]]) -> Draft:
    """The table in which most is known; of several sheets in which much is known a person chooses one at a time."""
    best = max(found, key=lambda f: f[0])[1]
    sheets = {
        str(d.grid.file["sheet"]): d for _, d in found if "sheet" in d.grid.file and d.roles.kind != "none"
    }
    if len(sheets) < 2:
        return best
    asks = "The workbook has several sheets that can be read, each by a layout of its own. For which is this one?"
    answer = best.asking.answers.get(("sheet", "sheet"), "").strip()
    chosen = sheets.get(answer, best)
    chosen.asking.ask("sheet", "sheet", asks, tuple(sheets))
    return chosen


def _ask_each(columns: list[Column], asking: Asking) -> None:
    """Ask what every column of a file without a header is."""
    for column in columns:
        shown = "; ".join(list(dict.fromkeys(column.filled))[:3])
        asks = f"The file has no header. What is {column.key} ({shown})? A reading, such as coolant_temp, a column, such as van, or: {NOT_TAKEN}."
        asking.ask(KIND, column.key, asks)


def _words(column: Column) -> str:
    """A few cells that are no numbers."""
    cells = [c for c in column.filled if c not in column.numbers]
    return ", ".join(repr(c) for c in dict.fromkeys(cells[:3]))


def _ask_for_columns(draft: Draft, *, asks_columns: bool) -> None:
    """Ask what the columns are; where nobody is there to be asked, the file is refused."""
    named = ", ".join(c.name.cell.strip() for c in draft.columns[:12])
    strange = [
        c
        for c in draft.columns
        if c.key in draft.roles.left_out and c.filled and not c.is_numeric and c.name.found
    ]
    if strange and not asks_columns:
        raise KinbayError(
            f"The columns have names that are known, but their cells are something else: {strange[0].key!r} holds {_words(strange[0])}",
            draft.source.name,
            "Leave out rows that are no data, such as a second table below the first, or give it in a file of its own.",
        )
    if not asks_columns:
        raise KinbayError(
            f"No column of the file is known: {named}",
            draft.source.name,
            "Name the columns as docs/readings.md does, or write a layout (pipeline/layouts/README.md).",
        )
    asks = (
        f"No column of the file is known: {named}. Say what each is: a reading, a trouble code, work, a note."
    )
    draft.asking.ask("columns", "columns", asks)


def _useful_facts(draft: Draft) -> list[Fact]:
    mark = str(draft.grid.file.get("delimiter", ",")) if draft.grid.lines else "\t"
    has_time = {"at", "scanned_at", "at_date"} & set(draft.roles.fields)
    found = []
    for fact in find_facts(draft.structure.preamble, mark):
        if fact.column in draft.roles.fields or draft.roles.kind in {"register", "work", "notes"}:
            continue
        if fact.times is not None and has_time:
            continue
        if fact.column == "at_date" and not {"at_time", "at_date"} & set(draft.roles.fields):
            fact = Fact("scanned_at", fact.pattern, fact.value, fact.label, fact.times)
        found.append(fact)
    return found
