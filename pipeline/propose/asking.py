"""Questions of a proposal and the answers to them; each is asked once and nothing is guessed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.normalise.questions import Question

Key = tuple[str, str]
NONE_OF_THESE = "none of these"
DAYS = "days of a spreadsheet"
AS_DECIMAL, AS_THOUSANDS = "decimal mark", "thousands mark"


@dataclass
class Asking:
    """What is asked about one file, beside what was answered.

    Parameters
    ----------
    answers : mapping
        Answer by kind and subject.
    open : list of Question
        Without an answer so far.
    """

    answers: Mapping[Key, str] = field(default_factory=dict)
    open: list[Question] = field(default_factory=list)
    asked: list[Question] = field(default_factory=list)

    def ask(self, kind: str, subject: str, asks: str, choices: tuple[str, ...] = ()) -> str | None:
        """Return the answer to a question, or None and note it as open; an answer must be a choice if there are any."""
        question = Question(kind, subject, asks, choices)
        answer = self.answers.get((kind, subject), "").strip()
        known = {q.subject for q in self.asked if q.kind == kind}
        if subject not in known:
            self.asked.append(question)
        if answer and (not choices or answer in choices):
            return answer
        if subject not in {q.subject for q in self.open if q.kind == kind}:
            self.open.append(question)
        return None
