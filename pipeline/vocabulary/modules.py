"""Control units by the names that readers give them; what is not known keeps its own name."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache

from pipeline.errors import KinbayError, nearest
from pipeline.vocabulary.names import fold
from pipeline.vocabulary.records import read_text

LANGUAGES = ("en", "de", "fr", "es")
LONGEST_HINTED = 60


@dataclass(frozen=True)
class Module:
    """One kind of control unit.

    Parameters
    ----------
    name : str
        The name under which all readers' figures come together.
    says : str
        What it controls.
    aliases : dict of str to tuple of str
        Other names, by language.
    """

    name: str
    says: str
    aliases: dict[str, tuple[str, ...]]

    @property
    def names(self) -> tuple[str, ...]:
        """Its own name and all others."""
        return (self.name, *(n for given in self.aliases.values() for n in given))


@cache
def modules() -> tuple[Module, ...]:
    """Return every control unit of the list.

    Raises
    ------
    KinbayError
        Where one name stands under two of them.
    """
    found = tuple(
        Module(name, row["says"], {lang: tuple(row[lang]) for lang in LANGUAGES if lang in row})
        for name, row in tomllib.loads(read_text("modules.toml")).items()
    )
    owner: dict[str, str] = {}
    for module in found:
        for name in module.names:
            if owner.setdefault(fold(name), module.name) != module.name:
                raise KinbayError(f"{name!r} names two modules", "modules.toml", "Leave it out of one.")
    return found


@cache
def _by_name() -> dict[str, str]:
    return {fold(name): module.name for module in modules() for name in module.names}


def find_module(name: str) -> str | None:
    """Return the module a reader's name stands for; None where it is not known.

    >>> find_module("Motorsteuergerät"), find_module("ABS"), find_module("47")
    ('engine', 'brakes', None)
    """
    return _by_name().get(fold(name))


def nearest_module(name: str) -> str | None:
    """Return the module whose names come closest to an unknown one, as a suggestion; None where none is close.

    A name that holds a known one as a whole word (`Gateway 2`) suggests that one. Nothing is merged by it.
    """
    folded = fold(name)
    if len(folded) > LONGEST_HINTED or not any(c.isalpha() for c in folded):
        return None
    inside = [known for known in _by_name() if len(known) > 2 and f" {known} " in f" {folded} "]
    close = max(inside, key=len, default=None) or nearest(folded, _by_name())
    return _by_name()[close] if close else None
