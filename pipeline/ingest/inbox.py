"""The inbox after a load: empty of what is stored, with a question beside what waits."""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from pipeline.ingest import answering
from pipeline.ingest.candidates import Candidate, signature
from pipeline.settings import Home


def tidy_inbox(home: Home, candidates: Sequence[Candidate], now: datetime) -> None:
    """Remove loaded files from the inbox and put questions beside those that wait; all rows are safe by now."""
    inbox = home.inbox.resolve()
    by_file: dict[Path, list[Candidate]] = {}
    for one in candidates:
        if one.is_entry:
            continue
        by_file.setdefault(one.source.dropped, []).append(one)
    for dropped, members in by_file.items():
        is_inside = dropped.parent.resolve().is_relative_to(inbox)
        waiting = [m for m in members if m.is_waiting]
        if waiting:
            _ask(home, dropped, waiting, is_inside=is_inside)
        elif is_inside:
            answering.note_answers(home, dropped, dropped.name, members[0].layout, now)
            if signature(dropped) == members[0].dropped_as:
                _remove(dropped, inbox)


def _ask(home: Home, dropped: Path, waiting: Sequence[Candidate], *, is_inside: bool) -> None:
    """Write the questions beside the file; one from elsewhere that can be answered is copied into the inbox."""
    questions = list({(q.kind, q.subject): q for m in waiting for q in m.questions}.values())
    fault = next((m.fault for m in waiting if m.fault is not None), None)
    if not questions and fault is None:
        return
    if is_inside:
        answering.write_questions(dropped, questions, fault)
    elif questions and not dropped.is_symlink():
        answering.write_questions(_copy_to_inbox(home, dropped), questions, fault)


def _remove(file: Path, inbox: Path) -> None:
    """Remove a loaded file, and folders that are empty without it."""
    file.unlink(missing_ok=True)
    folder = file.parent.resolve()
    while folder != inbox and folder.is_relative_to(inbox) and not any(folder.iterdir()):
        folder.rmdir()
        folder = folder.parent


def _copy_to_inbox(home: Home, file: Path) -> Path:
    """Let a file that waits do so in the inbox, where its question can be answered."""
    target = home.inbox / file.name
    if target.exists() and target.read_bytes() != file.read_bytes():
        target = home.inbox / f"{file.stem}-{uuid.uuid4().hex[:8]}{file.suffix}"
    if not target.exists():
        beside = home.inbox / f".{uuid.uuid4().hex}.part"
        shutil.copyfile(file, beside)
        beside.replace(target)
    return target
