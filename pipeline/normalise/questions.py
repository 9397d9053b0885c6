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
        `label` (which reading a label means) or `unit` (which unit a spelling means).
    subject : str
        The folded label, or `reading unit` for a spelling.
    asks : str
        The question in one sentence, with what would decide it.
    choices : tuple[str, ...]
        The answers that can be used.
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
