"""Journal entries: in full or not at all, in order, read by kind."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from pipeline import journal
from pipeline.errors import KinbayError
from pipeline.settings import Home

AT = dt.datetime(2026, 9, 30, 7, 5)


def test_an_entry_is_kept_with_kind_and_time_and_found_by_its_kind(tmp_path: Path) -> None:
    home = Home(tmp_path)
    name = journal.write_entry(home, "decision", AT, {"why": "seen it before: \u00a3 and \u202e"})
    journal.write_entry(home, "answer", AT, {})
    kept = json.loads((home.journal / name).read_text(encoding="utf-8"))
    assert kept == {
        "kind": "decision",
        "at": "2026-09-30T07:05:00Z",
        "why": "seen it before: \u00a3 and \u202e",
    }
    assert journal.read_entries(home, "decision") == [{**kept, "entry": name}]
    assert len(journal.read_entries(home, "decision", "answer")) == 2


def test_entries_come_in_the_order_of_their_time(tmp_path: Path) -> None:
    home = Home(tmp_path)
    for days in (3, 1, 2):
        journal.write_entry(home, "decision", AT + dt.timedelta(days=days), {"n": days})
    assert [e["n"] for e in journal.read_entries(home, "decision")] == [1, 2, 3]


def test_a_write_that_fails_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = Home(tmp_path)

    def fail(_handle: int) -> None:
        raise OSError("no space")

    monkeypatch.setattr("os.fsync", fail)
    with pytest.raises(KinbayError, match="journal cannot be written"):
        journal.write_entry(home, "decision", AT, {})
    assert list(home.journal.iterdir()) == []


def test_a_damaged_entry_is_named(tmp_path: Path) -> None:
    home = Home(tmp_path)
    name = journal.write_entry(home, "decision", AT, {})
    (home.journal / name).write_text("{", encoding="utf-8")
    with pytest.raises(KinbayError, match=name):
        journal.read_entries(home, "decision")
