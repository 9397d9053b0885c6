"""What a person says of a column goes before what its name says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from pipeline import vocabulary
from pipeline.errors import KinbayError, nearest
from pipeline.propose.asking import Asking, Key
from pipeline.propose.columns import Column
from pipeline.propose.names import field_names

KIND = "column"
NOT_TAKEN = "not taken"
WHY_NOT = "as told"


def told_of(answers: Mapping[Key, str], subject: str) -> str | None:
    """Return what a person said a column or label is: a reading, a tidy column, `NOT_TAKEN`; None where nothing.

    Raises
    ------
    KinbayError
        Where it is none of these; the nearest that is one is named.
    """
    told = answers.get((KIND, subject), "").strip()
    if not told:
        return None
    known = [*field_names().values(), *(p.key for p in vocabulary.parameters()), NOT_TAKEN]
    if told not in known:
        near = nearest(told, known)
        remedy = f"Did you mean {near}?" if near else "See docs/readings.md and docs/files.md for the names."
        raise KinbayError(f"{told!r} is neither a reading nor a column", subject, remedy)
    return told


def note_told(asking: Asking, subject: str) -> str | None:
    """Return what a person said of a column or label, and keep it among what was asked and answered."""
    told = told_of(asking.answers, subject)
    if told is not None:
        asking.ask(KIND, subject, f"What is the column {subject!r}?")
    return told


def apply_told(columns: list[Column], asking: Asking) -> tuple[list[Column], dict[str, str]]:
    """Give columns the meaning a person told; return those that stay, and why the others do not, by key."""
    kept, left_out = [], {}
    for column in columns:
        told = note_told(asking, column.key)
        if told == NOT_TAKEN:
            left_out[column.key] = WHY_NOT
            continue
        if told is not None:
            is_field = told in field_names().values()
            column.name = replace(
                column.name, found=None if is_field else told, field=told if is_field else None
            )
        kept.append(column)
    return kept, left_out
