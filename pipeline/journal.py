"""The journal: answers, decisions, corrections, withdrawals; one JSON file each, changed only to forget a name.

A low layer, so that commands, builds and the dashboard's pages write entries in the same way: the entry stands in
its folder in full or not at all.
"""

from __future__ import annotations

import json
import uuid
from datetime import UTC, datetime
from typing import Any

from pipeline.durable import write_json
from pipeline.errors import KinbayError
from pipeline.settings import Home


def utc_now() -> datetime:
    """Return the time now as naive UTC, as entries keep it."""
    return datetime.now(UTC).replace(tzinfo=None)


def write_entry(home: Home, kind: str, at: datetime, content: dict[str, Any]) -> str:
    """Add an entry and return its file's name, which sorts by time.

    Parameters
    ----------
    home : Home
        The fleet's folder; its journal folder is made if missing.
    kind : str
        `withdrawal`, `answer`, `decision` ...
    at : datetime
        Naive UTC.
    content : dict
        What is kept beside `kind` and `at`; must be plain JSON.

    Raises
    ------
    KinbayError
        Where the entry cannot be written; nothing of it is then kept.
    """
    name = f"{at.strftime('%Y%m%dT%H%M%S%f')}-{kind}-{uuid.uuid4().hex[:8]}.json"
    try:
        home.journal.mkdir(parents=True, exist_ok=True)
        write_json(home.journal / name, {"kind": kind, "at": at.isoformat() + "Z", **content})
    except OSError as error:
        raise KinbayError(
            "The journal cannot be written",
            f"{home.journal.name}/{name}",
            "Nothing was kept. See whether the disk is full or the folder read-only.",
        ) from error
    return name


def read_entries(home: Home, *kinds: str) -> list[dict[str, Any]]:
    """Return the entries of these kinds in the order of their names; each knows its file as `entry`.

    Raises
    ------
    KinbayError
        Where an entry is damaged.
    """
    found = []
    for path in sorted(home.journal.glob("*.json")):
        try:
            entry = json.loads(path.read_text(encoding="utf-8"))
        except (ValueError, OSError) as error:
            raise KinbayError(
                "A journal entry cannot be read", path.name, "Restore it from a backup."
            ) from error
        if isinstance(entry, dict) and entry.get("kind") in kinds:
            found.append({**entry, "entry": path.name})
    return found
