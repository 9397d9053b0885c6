"""The journal: withdrawals and answers, one JSON file each, never changed."""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pipeline.errors import KinbayError
from pipeline.ingest.files import write_json
from pipeline.settings import Home


def write_entry(home: Home, kind: str, at: datetime, content: dict[str, Any]) -> str:
    """Add an entry; its name sorts by time.

    Parameters
    ----------
    kind : str
        `withdrawal`, `answer` ...
    at : datetime
        Naive UTC.
    content : dict
        What is kept beside `kind` and `at`.
    """
    name = f"{at.strftime('%Y%m%dT%H%M%S%f')}-{kind}-{uuid.uuid4().hex[:8]}.json"
    write_json(home.journal / name, {"kind": kind, "at": at.isoformat() + "Z", **content})
    return name


def read_entries(home: Home, kind: str) -> list[dict[str, Any]]:
    """Return the entries of one kind in the order of their names.

    Raises
    ------
    KinbayError
        Where an entry is damaged.
    """
    found = []
    for path in sorted(home.journal.glob("*.json")):
        try:
            entry = json.loads(path.read_text(encoding="utf-8"))
        except (ValueError, UnicodeDecodeError) as error:
            raise KinbayError(
                "A journal entry cannot be read", path.name, "Restore it from a backup."
            ) from error
        if isinstance(entry, dict) and entry.get("kind") == kind:
            found.append(entry)
    return found


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
