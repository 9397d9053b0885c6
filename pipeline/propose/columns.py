"""The columns of a table with what their cells look like: numbers, units glued to them, codes, times."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from functools import cached_property

from pipeline.normalise.text import is_missing_word
from pipeline.propose.names import Name, is_known_unit, take_apart
from pipeline.propose.numbers import NUMBER
from pipeline.propose.structure import Structure
from pipeline.propose.times import Times, find_times
from pipeline.read.headers import fold_header
from pipeline.read.replies import NO_BYTES, Reply, read_reply

CODE = r"[PCBU][0-3][0-9A-F]{3}(?:[-:]?[0-9A-F]{2}\b)?"
_CODE_CELL = re.compile(rf"^{CODE}$", re.IGNORECASE)
_CODE_WITH_TEXT = re.compile(rf"^\s*{CODE}\b\W+\w", re.IGNORECASE)
_CODES_PARTED = re.compile(rf"\b{CODE}(\s*[;,|/\n]\s*|\s+){CODE}\b", re.IGNORECASE)
_GLUED = re.compile(r"^\s*([+\-−]?[\d.,'\u00a0\u202f ]*\d)\s*([^\d\s.,'+\-].*?)\s*$")
MOST = 0.8
MOST_REPLIES = 500


@dataclass
class Column:
    """One column.

    Parameters
    ----------
    index : int
        Its place, from 0.
    key : str
        How a layout names it: the header cell, with `#2` and so on where it stands more than once.
    name : Name
        The header cell taken apart.
    filled : list of str
        Its cells that hold something other than a word for "no value".
    numbers : list of str
        Number texts among them, units left off.
    glued : Counter of str
        Units that stand in the cells.
    times : Times or None
        Where the cells are dates or times.
    """

    index: int
    key: str
    name: Name
    filled: list[str]
    stands_twice: bool = False
    numbers: list[str] = field(default_factory=list)
    glued: Counter[str] = field(default_factory=Counter)
    times: Times | None = None

    @property
    def is_numeric(self) -> bool:
        """Whether most filled cells are numbers, or nothing is filled."""
        return len(self.numbers) >= MOST * len(self.filled) if self.filled else True

    @property
    def has_numbers_and_words(self) -> bool:
        """Whether some cells are numbers and the others hold no digit, such as `Overflow`."""
        digits = sum(any(c.isdigit() for c in cell) for cell in self.filled)
        return 0 < len(self.numbers) == digits

    @property
    def share_of_codes(self) -> float:
        """Share of the filled cells that begin with a trouble code."""
        hits = sum(
            bool(_CODE_CELL.match(c) or _CODE_WITH_TEXT.match(c) or _CODES_PARTED.search(c))
            for c in self.filled
        )
        return hits / len(self.filled) if self.filled else 0.0

    @cached_property
    def replies(self) -> list[Reply]:
        """The first cells as replies of control units, where most are such and could be nothing else."""
        cells = self.filled[:MOST_REPLIES]
        is_named = self.name.field not in {None, "value", "code", "text", "note"}
        if is_named or not any(re.search(r"[A-Fa-f #]", c) for c in cells):
            return []
        read = [read_reply(c) for c in cells]
        hexadecimal = sum(r.problem[:1] != (NO_BYTES,) for r in read)
        return read if hexadecimal >= MOST * len(cells) and not all(r.problem for r in read) else []

    @property
    def code_mark(self) -> str | None:
        """The mark that parts several codes of one cell."""
        marks = Counter(m[1].strip() or " " for c in self.filled if (m := _CODES_PARTED.search(c)))
        return marks.most_common(1)[0][0] if marks else None

    @property
    def has_text_behind_code(self) -> bool:
        """Whether most cells are a code with its text behind it."""
        hits = sum(bool(_CODE_WITH_TEXT.match(c)) for c in self.filled if not _CODES_PARTED.search(c))
        return bool(self.filled) and hits >= MOST * len(self.filled)


def find_columns(structure: Structure) -> list[Column]:
    """Return the columns that have a name, in their order."""
    counts = Counter(fold_header(c) for c in structure.header)
    seen: Counter[str] = Counter()
    found = []
    for i, cell in enumerate(structure.header):
        folded = fold_header(cell)
        seen[folded] += 1
        if not cell.strip():
            continue
        is_twice = counts[folded] > 1
        filled = [r[i].strip() for r in structure.body if r[i].strip() and not is_missing_word(r[i])]
        one = Column(i, f"{cell}#{seen[folded]}" if is_twice else cell, take_apart(cell), filled, is_twice)
        one.times = find_times(filled)
        _find_numbers(one)
        found.append(one)
    return found


def _find_numbers(one: Column) -> None:
    for cell in one.filled:
        if NUMBER.match(cell):
            one.numbers.append(cell)
        elif not is_known_unit(cell) and (glued := _GLUED.match(cell)) and is_known_unit(glued[2]):
            one.numbers.append(glued[1])
            one.glued[glued[2].strip()] += 1
