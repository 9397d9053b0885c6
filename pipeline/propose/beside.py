"""Columns that belong to another column: a reading's limits and mark, and freeze frames beside a code."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from pipeline import vocabulary
from pipeline.propose.asking import Asking
from pipeline.propose.columns import Column
from pipeline.propose.names import Name, take_apart

LIMITS, SEEN = "limits", "values seen"
WHEN_SET, WHEN_READ = "when the code was set", "when the van was read"
_END = r"[\s_.:/(\[-]*(?:{words})[)\]]?$"
# English, German, French, Spanish; common practice, no source. Longer spellings first.
_LOW = "lower limit|low limit|limit low|min limit|limit min|untergrenze|unterer grenzwert|soll min|limite basse|limite inferieure|limite inferior|minimum|mini|min|low|lo"
_HIGH = "upper limit|high limit|limit high|max limit|limit max|obergrenze|oberer grenzwert|soll max|limite haute|limite superieure|limite superior|maximum|maxi|max|high|hi"
_MARK = "verdict|assessment|bewertung|evaluation|evaluacion|mark|ok|status"
_ENDS = {
    name: re.compile(_END.format(words=words))
    for name, words in (("low", _LOW), ("high", _HIGH), ("mark", _MARK))
}
_FRAME = re.compile(
    r"^(?:ff|freeze[\s_-]?frame|freezeframe|umgebungsdaten|umweltdaten|umgebung|trame fig[ée]e|datos congelados|cuadro congelado)"
    r"(?:[\s_.:/-]+)(?P<rest>\S.*)$",
    re.IGNORECASE,
)  # fmt: skip


@dataclass
class Beside:
    """Columns taken out of the ordinary ones because they stand beside another.

    Parameters
    ----------
    limits : dict[str, dict[str, Column]]
        `low`, `high` and `mark` columns by the key of their reading's column.
    frames : list of Column
        Readings of the moment a code was set; their names are those of the reading.
    left_out : dict[str, str]
        Why the others of them are not taken.
    """

    limits: dict[str, dict[str, Column]] = field(default_factory=dict)
    frames: list[Column] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)


def part_beside(columns: list[Column], asking: Asking) -> tuple[list[Column], Beside]:
    """Take the columns out that stand beside others.

    Returns
    -------
    tuple
        The other columns in their order, and what was found.
    """
    beside, rest = Beside(), []
    frames = {c.index: taken for c in columns if (taken := _frame_name(c)) is not None}
    beside.frames = [replace(c, name=frames[c.index]) for c in columns if c.index in frames]
    others = [c for c in columns if c.index not in frames]
    bases: dict[str, Column] = {}
    for column in others:
        if column.name.found is not None:
            bases.setdefault(vocabulary.fold(column.name.bare), column)
    for column in others:
        place = _limit_of(column, bases)
        if place is None:
            rest.append(column)
        else:
            base, kind = place
            beside.limits.setdefault(base.key, {}).setdefault(kind, column)
    _settle_limits(beside, {c.key: c for c in others}, asking)
    return rest, beside


def _frame_name(column: Column) -> Name | None:
    found = _FRAME.match(column.name.cell.strip())
    return take_apart(found["rest"]) if found else None


def _limit_of(column: Column, bases: dict[str, Column]) -> tuple[Column, str] | None:
    """The reading's column that this one's name begins with, and which of its companions it is."""
    name = vocabulary.fold(take_apart(column.name.cell).cell)
    bare = re.sub(r"\s*[\[(][^\])]*[\])]\s*$", "", column.name.cell)
    for text in dict.fromkeys((vocabulary.fold(bare), name)):
        for kind, pattern in _ENDS.items():
            found = pattern.search(text)
            base = bases.get(text[: found.start()].strip()) if found else None
            if base is not None and base is not column:
                return base, kind
    return None


def _settle_limits(beside: Beside, columns: dict[str, Column], asking: Asking) -> None:
    """Limits and the smallest and greatest values seen are named alike: the person says which they are."""
    bounds = [c for found in beside.limits.values() for kind, c in found.items() if kind != "mark"]
    if not bounds:
        return
    named = " and ".join(repr(c.key) for c in bounds[:2])
    answer = asking.ask(
        "limits", "limits", f"Do {named} hold the reader's own limits, or the smallest and greatest values seen?",
        (LIMITS, SEEN),
    )  # fmt: skip
    for key, found in list(beside.limits.items()):
        for kind, column in list(found.items()):
            why = None
            if kind != "mark" and answer != LIMITS:
                why = "smallest or greatest value seen" if answer == SEEN else "asked"
            elif kind != "mark" and not _same_unit(column, columns[key]):
                why = f"its unit is another than that of {key!r}"
            if why:
                beside.left_out[column.key] = why
                del found[kind]


def _same_unit(column: Column, base: Column) -> bool:
    unit = re.search(r"[\[(]([^\])]*)[\])]\s*$", column.name.cell)
    own = base.name.unit or ""
    return unit is None or vocabulary.fold_unit(unit[1]) in {vocabulary.fold_unit(own), "min", "max"}


def ask_moment(code: Column, rows: int, asking: Asking) -> str | None:
    """Ask whether readings in the rows of codes are of the moment the code was set or of the scan."""
    if len(code.filled) < rows / 2:
        return WHEN_READ
    return asking.ask(
        "moment", "moment", "Codes and readings stand in the same rows. Of which moment are the readings?",
        (WHEN_SET, WHEN_READ),
    )  # fmt: skip
