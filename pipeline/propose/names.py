"""What a column is called into what it is: a tidy column, a reading with its unit, or the nearest names."""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from pipeline import vocabulary
from pipeline.normalise.questions import Question
from pipeline.normalise.units import find_parameter
from pipeline.propose.times import UTC_WORDS
from pipeline.read.headers import part_unit

NEAR = 0.72
MOST_SUGGESTIONS = 4
TIME_UNITS = ("s", "sec", "ms", "msec")
SHORTEST_BEGINNING = 5


@dataclass(frozen=True)
class Name:
    """A header cell taken apart.

    Parameters
    ----------
    cell : str
        The cell as it stands.
    bare : str
        The name without its unit.
    unit : str or None
        The unit beside the name; empty where its brackets are empty, None where there is none.
    found : str, Question or None
        The reading, what has to be asked, or nothing.
    field : str or None
        The tidy column.
    """

    cell: str
    bare: str
    unit: str | None
    found: str | Question | None
    field: str | None


@cache
def field_names() -> dict[str, str]:
    """Return the tidy column for every folded name of `fields.toml`, and for the columns' own names."""
    text = files("pipeline.propose").joinpath("fields.toml").read_text(encoding="utf-8")
    found: dict[str, str] = {}
    for column, names in tomllib.loads(text).items():
        for name in (column, *names):
            found.setdefault(vocabulary.fold(name), column)
    return found


@cache
def _unit_words() -> frozenset[str]:
    return frozenset(r["spelling_folded"] for r in vocabulary.tables()["unit_spellings"].to_pylist())


@cache
def _labels() -> dict[str, str]:
    return {r["label_folded"]: r["parameter"] for r in vocabulary.tables()["parameter_names"].to_pylist()}


def is_known_unit(cell: str) -> bool:
    """Say whether a text is a unit of some reading."""
    return bool(cell.strip()) and vocabulary.fold_unit(cell) in _unit_words()


def is_known_name(cell: str) -> bool:
    """Say whether a header cell names a tidy column or a reading."""
    name = take_apart(cell)
    return name.field is not None or name.found is not None


@cache
def take_apart(cell: str) -> Name:
    """Take a header cell apart; a whole cell that is a name is never parted."""
    whole = cell.strip()
    if not whole:
        return Name(cell, "", None, None, None)
    for bare, unit in _partings(whole):
        found, column = find_parameter(bare), field_names().get(vocabulary.fold(bare))
        if found is not None or column is not None:
            return Name(cell, bare, unit, found, column)
    bare, unit = part_unit(whole)
    return Name(cell, bare, unit, None, None)


def _partings(cell: str) -> list[tuple[str, str | None]]:
    """The ways to part a cell into name and unit, the likeliest first."""
    bare, unit = part_unit(cell)
    path = re.search(r"[^\s.]{2,}\.([^\s.][^.]*)$", cell)  # a key inside a JSON document
    if unit is not None:
        return [(bare, unit), (cell, None), *(_partings(path[1]) if path else [])]
    found: list[tuple[str, str | None]] = [(cell, None)]
    for mark in (r"\s+in\s+", r"\s*/\s*", r"\s*,\s*", r"\s*:\s*", r"[\s_]+"):
        parts = re.split(mark, cell)
        if len(parts) > 1 and (
            is_known_unit(parts[-1]) or vocabulary.fold(parts[-1]) in (*UTC_WORDS, *TIME_UNITS)
        ):
            name = cell[: cell.rindex(parts[-1])].rstrip(" /,:_")
            found.append((re.sub(r"\s+in$", "", name), parts[-1]))
    return [*found, *_partings(path[1])] if path else found


def suggestions(bare: str) -> list[str]:
    """Return the readings whose names are nearest, best first."""
    folded = vocabulary.fold(bare)
    near = difflib.get_close_matches(folded, _labels(), n=8, cutoff=NEAR)
    begun = [n for n in _labels() if len(folded) >= SHORTEST_BEGINNING and n.startswith(folded)]
    return list(dict.fromkeys(_labels()[n] for n in (*near, *begun)))[:MOST_SUGGESTIONS]
