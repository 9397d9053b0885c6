"""Names of control units: the known ones under one name, the others as the reader gave them."""

from __future__ import annotations

import polars as pl

from pipeline.vocabulary.modules import find_module, nearest_module

MOST_NOTES = 20


def same_modules(given: pl.Series) -> pl.Series:
    """Return the module each name stands for; an unknown one keeps its own name.

    Parameters
    ----------
    given : pl.Series
        Cleaned names; null where there is none.
    """
    known = {name: found for name in given.drop_nulls().unique() if (found := find_module(name))}
    return given.replace(known) if known else given


def say_unknown(given: pl.Series) -> tuple[str, ...]:
    """Say which names come close to a known module without being one of its names; nothing is merged."""
    names = sorted(n for n in given.drop_nulls().unique() if find_module(n) is None)
    close = [(name, near) for name in names[:1000] if (near := nearest_module(name))]
    return tuple(
        f"The module {name!r} is not in the list and counts as one of its own. If it is {near}, write under"
        f' [modules] in fleet.toml: "{_plain(name)}" = "{near}"'
        for name, near in close[:MOST_NOTES]
    )


def _plain(name: str) -> str:
    return name.replace("\\", "\\\\").replace('"', '\\"')
