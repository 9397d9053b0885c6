"""Withdrawing: a journal entry takes a wrong file's rows out; the original and the entry stay."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.counted import count_of
from pipeline.errors import KinbayError, nearest
from pipeline.ingest import journal
from pipeline.ingest.opening import open_store
from pipeline.ingest.originals import Acceptance
from pipeline.ingest.rebuilding import list_alive, rebuild_open
from pipeline.normalise.times import utc_now
from pipeline.settings import Home

SHORTEST_PREFIX = 6


@dataclass(frozen=True)
class Withdrawal:
    """What was withdrawn, and how many files remain."""

    file: str
    file_id: str
    files_left: int

    def __str__(self) -> str:
        return f"{self.file} ({self.file_id[:12]}); {count_of(self.files_left, 'file')} left"


def withdraw(home: Home, file: str, why: str) -> Withdrawal:
    """Take a file's rows out of the raw store; the next build makes every model afresh.

    Parameters
    ----------
    home : Home
        The fleet's folder.
    file : str
        The file's name as it was loaded, its last part, or at least six characters of its content hash.
    why : str
        Why; kept in the journal.

    Raises
    ------
    KinbayError
        Where no file, or more than one, is meant, or no reason is given.
    """
    if not why.strip():
        raise KinbayError("A withdrawal needs a reason", file, "Say why with --why.")
    with open_store(home) as connection:
        meant = _find(list_alive(home), file)
        entry = {"file_id": meant.file_id, "file": meant.file, "batch_id": meant.batch_id, "why": why.strip()}
        journal.write_entry(home, "withdrawal", utc_now(), entry)
        left = rebuild_open(home, connection)
    return Withdrawal(meant.file, meant.file_id, left)


def _find(alive: list[Acceptance], file: str) -> Acceptance:
    """The one file that a name or hash prefix means."""
    wanted = file.strip()
    found = [a for a in alive if a.file == wanted]
    found = found or [a for a in alive if a.file.rsplit("/", 1)[-1] == wanted.rsplit("/", 1)[-1]]
    if not found and len(wanted) >= SHORTEST_PREFIX:
        found = [a for a in alive if a.file_id.startswith(wanted.lower())]
    if not found:
        hint = nearest(wanted, [a.file for a in alive])
        raise KinbayError(
            "No loaded file is called that", file, f"Did you mean {hint}?" if hint else "See kinbay check."
        )
    if len(found) > 1:
        hashes = ", ".join(f"{a.file} {a.file_id[:12]}" for a in found)
        raise KinbayError(
            "Several loaded files are called that", hashes, "Give the start of the content hash."
        )
    return found[0]
