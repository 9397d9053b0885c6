"""What only a person can decide about a file: asked once, kept with its answer, never guessed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Question:
    """One question about a file.

    Parameters
    ----------
    kind : str
        `label` (which reading a label means), `unit` (which unit a spelling means), `fact` (what only a person
        knows about the file, such as its van), or a kind of `pipeline.propose` about a file without a layout.
    subject : str
        The folded label, `reading unit` for a spelling, the tidy column for a fact.
    asks : str
        The question in one sentence, with what would decide it.
    choices : tuple[str, ...]
        The answers that can be used; empty where any text is one.
    """

    kind: str
    subject: str
    asks: str
    choices: tuple[str, ...]


@dataclass(frozen=True)
class Answers:
    """Answers already given for a file or its layout, by the question's subject."""

    labels: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    facts: Mapping[str, str] = field(default_factory=dict)
