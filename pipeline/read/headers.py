"""Header cells of an export: other spellings, units in brackets, and columns that stand twice."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

_BRACKETS = re.compile(
    r"^(?P<name>.*?\S)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*)\))\s*$", re.DOTALL
)


def fold_header(text: str) -> str:
    """Fold a header cell: case, accents and spacing ignored, signs and digits kept.

    >>> fold_header("Kühlmittel [°C]") == fold_header("kuhlmittel[°c]")
    True
    """
    plain = unicodedata.normalize("NFKD", text.replace("\ufeff", "").casefold())
    return re.sub(r"\s+", "", "".join(c for c in plain if not unicodedata.combining(c)))


def part_unit(cell: str) -> tuple[str, str | None]:
    """Part a header cell into its name and the unit in brackets at its end; None where there are no brackets.

    >>> part_unit("Rail pressure [bar]")
    ('Rail pressure', 'bar')
    >>> part_unit("Lambda []")
    ('Lambda', '')
    """
    found = _BRACKETS.match(cell)
    if found is None:
        return cell.strip(), None
    unit = found["square"] if found["square"] is not None else found["round"]
    return found["name"].strip(), unit.strip()


@dataclass(frozen=True)
class Places:
    """Where the columns of a file stand.

    Parameters
    ----------
    by_name : dict[str, str]
        Column number as text by folded name; a name that stands twice is `name#1`, `name#2` ...
    units : dict[str, str]
        Unit from the header's brackets by column number; an empty text where the brackets are empty.
    twice : frozenset[str]
        Folded names that stand more than once.
    """

    by_name: dict[str, str]
    units: dict[str, str] = field(default_factory=dict)
    twice: frozenset[str] = frozenset()

    def get(self, name: str) -> str | None:
        """Return the column's number as text, or None."""
        return self.by_name.get(fold_header(name))


def place_columns(
    header: Sequence[str], spellings: Mapping[str, Sequence[str]], *, parts_units: bool
) -> Places:
    """Find every column's place.

    Parameters
    ----------
    header : sequence of str
        Header cells as they stand.
    spellings : mapping
        Other spellings by the one that the layout uses.
    parts_units : bool
        Whether brackets at the end of a cell hold its unit and do not belong to the name.
    """
    own = {fold_header(other): fold_header(name) for name, others in spellings.items() for other in others}
    names, units = [], {}
    for i, cell in enumerate(header):
        name = cell
        if parts_units:
            name, unit = part_unit(cell)
            if unit is not None:
                units[str(i)] = unit
        folded = fold_header(name)
        names.append(own.get(folded, folded))
    counts, seen = Counter(names), Counter[str]()
    by_name: dict[str, str] = {}
    for i, name in enumerate(names):
        seen[name] += 1
        by_name[f"{name}#{seen[name]}" if counts[name] > 1 else name] = str(i)
    return Places(by_name, units, frozenset(n for n, count in counts.items() if count > 1 and n))
