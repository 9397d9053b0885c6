"""Proposals for files that no layout fits: with the answers beside the file, previewed, and kept once accepted."""

from __future__ import annotations

import resource
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import journal
from pipeline.counted import count_of
from pipeline.durable import write_text
from pipeline.errors import KinbayError
from pipeline.ingest import answering
from pipeline.normalise import Question
from pipeline.normalise.times import utc_now
from pipeline.read import Source, read_layouts
from pipeline.settings import Home

if TYPE_CHECKING:
    from pipeline.propose import Proposal

MOST_SECONDS = 60
MOST_TOLD = 400
MOST_MEMORY = 6 * 2**30
Answered = Mapping[tuple[str, str], str]


@dataclass(frozen=True)
class Proposed:
    """A proposal and what it would take from its file."""

    proposal: Proposal
    preview: dict[str, Any]
    answers: Answered = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """Return what `kinbay layout --json` prints, as pipeline/layouts/README.md describes it."""
        one = self.proposal
        return {
            "file": one.file,
            "name": one.name,
            "complete": one.is_complete,
            "layout": {"toml": one.toml, "object": one.table},
            "mapping": one.mapping,
            "questions": [self._question(q, is_open=True) for q in one.questions]
            + [self._question(q, is_open=False) for q in one.answered],
            "facts": [self._question(q, is_open=True) for q in one.facts],
            "preview": self.preview,
        }

    def _question(self, one: Question, *, is_open: bool) -> dict[str, Any]:
        return {
            "kind": one.kind,
            "subject": one.subject,
            "asks": one.asks,
            "choices": list(one.choices),
            "open": is_open,
            "answer": self.answers.get((one.kind, one.subject), ""),
        }

    def lines(self) -> list[str]:
        """Return the preview and the questions as lines for a terminal."""
        shown = self.preview
        found = [
            f"Would take {count_of(shown['taken'], 'row')} and leave out {shown['rejected']:,} of those looked at."
        ]
        if shown["fault"]:
            found = [f"Cannot be read so far: {shown['fault']}"]
        for name, table in shown["tables"].items():
            found += [f"  {name}: {count_of(table['taken'], 'row')}, {', '.join(table['columns'])}"]
            found += [
                "    " + " | ".join("" if v is None else str(v) for v in row) for row in table["rows"][:3]
            ]
        is_order_open = any(q.kind == "date_order" for q in self.proposal.questions)
        if is_order_open and shown["rejects"]:
            found.append("  No time can be read before the order of its date is answered.")
        for reject in [] if is_order_open else shown["rejects"][:5]:
            found.append(
                f"  line {reject['line']}, {reject['column']}: {reject['reason']}. {reject['remedy']}"
            )
        left_out = [m["column"] for m in self.proposal.mapping if m["confidence"] == "left out"]
        found += [f"  Columns not taken: {', '.join(left_out)}."] if left_out else []
        found += [f"To answer: {q.asks}{_choices(q.choices)}" for q in self.proposal.questions]
        found += [f"Asked of every such file: {q.asks}" for q in self.proposal.facts]
        return found


def _choices(choices: Sequence[str]) -> str:
    return f" ({', '.join(choices)})" if choices else ""


def parse_answers(given: Sequence[str]) -> dict[tuple[str, str], str]:
    """Read `KIND:SUBJECT=ANSWER` texts; the answer begins after the last `=`.

    Raises
    ------
    KinbayError
        Where a text has another form.
    """
    found = {}
    for text in given:
        left, equals, answer = text.rpartition("=")
        kind, colon, subject = left.partition(":")
        if not (equals and colon):
            raise KinbayError(
                f"{text!r} is no answer", remedy="Write KIND:SUBJECT=ANSWER, as kinbay layout asks."
            )
        found[kind, subject] = answer.strip()
    return found


def propose_for(
    home: Home,
    file: Path,
    told: Answered | None = None,
    name: str | None = None,
    *,
    asks_columns: bool = False,
) -> Proposed:
    """Propose a layout for a file, using the answers beside it and those told here, which are kept beside it too.

    Raises
    ------
    KinbayError
        Where there is no such file, or nothing in it is known.
    """
    if not file.is_file():
        raise KinbayError("There is no such file", str(file), "Check the path and try again.")
    source = Source(file, file.name, file)
    answers = {**answering.answers_beside(file), **(told or {})}
    taken = set(read_layouts(home.layouts))
    found = look(home, source, answers, name, taken, asks_columns=asks_columns)
    if told:
        one = found.proposal
        answering.keep_answers(file, told, [*one.questions, *one.facts, *one.answered])
    return found


def look(
    home: Home,
    source: Source,
    answers: Answered,
    name: str | None = None,
    taken: set[str] | None = None,
    *,
    asks_columns: bool = False,
) -> Proposed:
    """Propose a layout for a source and preview it."""
    from pipeline.propose import propose  # most loads meet no strange file and do without it
    from pipeline.propose.preview import nothing_read, preview

    proposal = propose(source, answers, name, taken or set(), asks_columns=asks_columns)
    shown = nothing_read()
    if proposal.layout is not None:
        facts = {subject: text for (kind, subject), text in answers.items() if kind == "fact"}
        shown = preview(source, proposal.layout, home.settings.time_zone, utc_now(), facts)
    return Proposed(proposal, shown, answers)


def accept(home: Home, file: Path, proposal: Proposal) -> Path:
    """Keep a complete proposal among the home's layouts, and its answers in the journal.

    Raises
    ------
    KinbayError
        Where something is still asked, or a layout of that name is there already.
    """
    if not proposal.is_complete:
        raise KinbayError("The layout still has questions", file.name, "Answer them first.")
    path = keep(home, file.name, proposal)
    answering.drop_kinds(file, {q.kind for q in proposal.answered} | {"accept"})
    return path


def keep(home: Home, file: str, proposal: Proposal) -> Path:
    """Write a complete proposal into the home's layouts, and that it was accepted into the journal.

    Raises
    ------
    KinbayError
        Where a layout of that name is there already.
    """
    path = home.layouts / f"{proposal.name}.toml"
    if path.exists():
        raise KinbayError(
            "A layout of that name is there already", path.name, "Give another one with --name."
        )
    write_text(path, proposal.toml)
    journal.write_entry(
        home, "layout", utc_now(), {"layout": proposal.name, "file": file, "columns": len(proposal.mapping)}
    )
    return path


def to_accept(proposed: Proposed) -> Question:
    """Ask whether an unknown file is to be read as proposed, now and whenever its kind comes again."""
    entries = proposed.proposal.mapping
    taken = [
        f"{m['column']} = {m['field'] or m['parameter']}" for m in entries if m["confidence"] == "certain"
    ]
    left = [m["column"] for m in entries if m["confidence"] == "left out"]
    told = f"Proposed: {', '.join(taken)[:MOST_TOLD]}"
    told += f"; not taken: {', '.join(left)[:MOST_TOLD]}" if left else ""
    asks = f"{told}. Read this file and later ones of its kind so? (kinbay layout FILE shows more.)"
    return Question("accept", "layout", asks, ("yes", "no"))


def write_questions_beside(file: Path, proposal: Proposal) -> Path:
    """Write the open questions of a proposal beside its file."""
    answering.write_questions(file, [*proposal.questions, *proposal.facts])
    return answering.question_path(file)


def bound_process() -> None:
    """Limit this process's working time and memory: for a program that hands it files of unknown origin."""
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_SECONDS, MOST_SECONDS + 5))
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
