"""What the journal says about files: which acceptances were withdrawn, and which originals were redacted."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.journal import read_entries, write_entry
from pipeline.settings import Home

__all__ = ["FORGOTTEN", "Withdrawals", "read_entries", "read_redacted", "read_withdrawals", "write_entry"]
FORGOTTEN = "forgotten"


@dataclass(frozen=True)
class Withdrawals:
    """Which acceptances were withdrawn: the last batch of each file that a withdrawal reaches."""

    until: dict[str, int]

    def covers(self, file_id: str, batch_id: int) -> bool:
        """Say whether a file's acceptance in this batch was withdrawn."""
        return self.until.get(file_id, -1) >= batch_id

    @property
    def last_batch(self) -> int:
        """The highest batch ever withdrawn; 0 where there is none."""
        return max(self.until.values(), default=0)


def read_withdrawals(home: Home) -> Withdrawals:
    """Return what was withdrawn so far."""
    until: dict[str, int] = {}
    for entry in read_entries(home, "withdrawal"):
        until[entry["file_id"]] = max(until.get(entry["file_id"], -1), int(entry["batch_id"]))
    return Withdrawals(until)


def read_redacted(home: Home) -> set[str]:
    """Return the hashes of files that held a name which was removed since."""
    entries = read_entries(home, FORGOTTEN)
    was = {str(pair["was"]) for e in entries for pair in e.get("redacted", ())}
    return was | {str(one) for e in entries for one in e.get("deleted", ())}
