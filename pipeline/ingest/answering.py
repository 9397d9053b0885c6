"""Questions beside waiting files, and the answers people wrote into them.

A file that waits in the inbox has `FILE.question.toml` beside it: one `[[question]]` table per question with
`kind`, `subject`, `asks`, `choices` and an empty `answer`. Whoever fills in `answer` with one of the choices
settles it at the next load; the answer then goes into the journal, and for an export with a layout it holds
for every later file of that layout.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from pipeline.durable import write_text
from pipeline.errors import KinbayError
from pipeline.ingest.journal import write_entry
from pipeline.normalise import Answers, Question
from pipeline.read.sources import QUESTION_SUFFIX
from pipeline.settings import Home


def question_path(file: Path) -> Path:
    """Return where the questions about a file stand."""
    return file.with_name(file.name + QUESTION_SUFFIX)


def write_questions(file: Path, questions: Sequence[Question], fault: KinbayError | None = None) -> None:
    """Write the questions about a file beside it; questions answered before stay, with their answers."""
    answered = [row for row in _read(question_path(file)) if is_answered(row)]
    kept = {(str(row.get("kind")), str(row["subject"])): row for row in answered}
    for one in questions:
        fresh = {
            "kind": one.kind,
            "subject": one.subject,
            "asks": one.asks,
            "choices": one.choices,
            "answer": "",
        }
        kept.setdefault((one.kind, one.subject), fresh)
    _write(question_path(file), file.name, list(kept.values()), None if fault is None else str(fault))


def keep_answers(file: Path, told: Mapping[tuple[str, str], str], asked: Sequence[Question]) -> None:
    """Keep answers beside a file, each with its question; an empty one takes back what was answered before."""
    known = {(q.kind, q.subject): q for q in asked}
    rows = [r for r in _read(question_path(file)) if (str(r.get("kind")), r.get("subject")) not in told]
    for (kind, subject), text in told.items():
        one = known.get((kind, subject), Question(kind, subject, "", ()))
        if text.strip():
            rows.append(
                {"kind": kind, "subject": subject, "asks": one.asks, "choices": one.choices, "answer": text}
            )
    _write(question_path(file), file.name, rows, None)


def _write(path: Path, name: str, rows: Sequence[dict[str, Any]], fault: object) -> None:
    lines = [f"# {_one_line(name)} waits. Fill in each answer with one of its choices, then load again."]
    if isinstance(fault, str):
        lines = [f"# {_one_line(name)} waits, and nothing of it is stored.", f"fault = {_text(fault)}"]
    for row in rows:
        lines += [
            "",
            "[[question]]",
            *(f"{key} = {_text(str(row.get(key, '')))}" for key in ("kind", "subject", "asks")),
            f"choices = [{', '.join(_text(str(c)) for c in row.get('choices', ()))}]",
            f"answer = {_text(str(row.get('answer', '')))}",
        ]
    write_text(path, "\n".join(lines) + "\n")


def _one_line(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


def _text(value: str) -> str:
    """A TOML basic string; JSON's escapes are a subset of TOML's."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _read(path: Path) -> list[dict[str, Any]]:
    """The questions written beside a file; none where there are none or the file cannot be read."""
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8")).get("question", [])
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        return []
    return [q for q in found if isinstance(q, dict)] if isinstance(found, list) else []


def is_answered(row: dict[str, Any]) -> bool:
    """Whether a question's row holds an answer that can be used: one of its choices, or any text where it has none."""
    answer, choices = row.get("answer"), row.get("choices", ())
    if not isinstance(row.get("subject"), str) or not isinstance(answer, str) or not answer.strip():
        return False
    return answer in choices if choices else True


def _usable(rows: Sequence[dict[str, Any]]) -> Answers:
    found: dict[str, dict[str, str]] = {"label": {}, "unit": {}, "fact": {}}
    for row in rows:
        kind = row.get("asked") or row.get("kind")
        if is_answered(row) and kind in found:
            found[kind][row["subject"]] = row["answer"].strip()
    return Answers(found["label"], found["unit"], found["fact"])


def answers_for(remembered: Sequence[dict[str, Any]], file: Path, layout: str | None) -> Answers:
    """Return what was answered about a file: beside it, and in the journal (`remembered`) for its layout.

    Facts are about one file and never remembered for another.
    """
    beside = _usable(_read(question_path(file)))
    if layout is None:
        return beside
    known = _usable([e for e in remembered if e.get("layout") == layout])
    return Answers({**known.labels, **beside.labels}, {**known.units, **beside.units}, beside.facts)


def answers_beside(file: Path) -> dict[tuple[str, str], str]:
    """Return every usable answer beside a file, by its question's kind and subject."""
    rows = [row for row in _read(question_path(file)) if is_answered(row)]
    return {(str(row.get("kind")), row["subject"]): row["answer"].strip() for row in rows}


def is_accepted(file: Path) -> bool:
    """Whether a person said that a file of an unknown kind is to be read as proposed."""
    return answers_beside(file).get(("accept", "layout")) == "yes"


def drop_kinds(file: Path, kinds: set[str]) -> None:
    """Take questions of these kinds out of the file beside a waiting file; an empty one is removed."""
    path = question_path(file)
    rows = [row for row in _read(path) if row.get("kind") not in kinds]
    if not path.exists():
        return
    if not rows:
        path.unlink()
        return
    path.unlink()
    _write(path, file.name, rows, None)


def answer(home: Home, name: str, subject: str, choice: str) -> None:
    """Fill in one answer beside a file that waits in the inbox.

    Parameters
    ----------
    home : Home
        The fleet's folder.
    name : str
        The file's path within the inbox.
    subject : str
        The question's subject.
    choice : str
        One of its choices, or any text where it has none.

    Raises
    ------
    KinbayError
        Where no such file waits, it asks nothing of the kind, or the answer is none of its choices.
    """
    path = question_path(home.inbox / name)
    if not path.resolve().is_relative_to(home.inbox.resolve()) or not path.exists():
        raise KinbayError("No file of that name waits in the inbox", name, "See kinbay check.")
    rows = _read(path)
    meant = [row for row in rows if row.get("subject") == subject]
    if not meant:
        asked = ", ".join(str(r.get("subject")) for r in rows) or "nothing"
        raise KinbayError(f"It does not ask about {subject}", name, f"It asks about: {asked}.")
    for row in meant:
        row["answer"] = choice
        if not is_answered(row):
            choices = ", ".join(map(str, row.get("choices", ())))
            raise KinbayError(f"{choice} is none of the choices", name, f"Choose one of {choices}.")
    _write(path, name, rows, tomllib.loads(path.read_text(encoding="utf-8")).get("fault"))


def note_answers(home: Home, file: Path, name: str, layout: str | None, at: datetime) -> None:
    """Move the answers beside a file that was loaded into the journal."""
    path = question_path(file)
    for row in _read(path):
        if is_answered(row):
            kept: dict[str, Any] = {k: row[k] for k in ("subject", "asks", "choices", "answer") if k in row}
            write_entry(
                home, "answer", at, {"file": name, "layout": layout, "asked": row.get("kind"), **kept}
            )
    path.unlink(missing_ok=True)
