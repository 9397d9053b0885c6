"""Decisions: kept with the evidence they were made on, quiet until it moves, and back with the reason."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from pipeline import decisions
from pipeline.build import decided
from pipeline.errors import KinbayError
from pipeline.settings import Home

AT = dt.datetime(2026, 10, 5, 7, 5)
MATTER: dict[str, Any] = {
    "finding_id": "f1", "van": "047", "claim": "Van 047 reads low.", "tier": "likely", "n_scans": 12,
    "value": 78.0, "difference": -9.0, "interval_low": -10.5, "interval_high": -7.5,
    "last_seen": dt.datetime(2026, 9, 30, 8),
}  # fmt: skip


def _decided(home: Home, choice: str, **more: Any) -> decisions.Decision:
    decisions.decide(home, MATTER, choice, who=" A.  Reeve ", why="Seen on all of them.", at=AT, **more)
    return decisions.newest(decisions.read_decisions(home))["f1"]


def test_a_decision_keeps_who_when_why_and_its_evidence(tmp_path: Path) -> None:
    kept = _decided(Home(tmp_path), "known_normal", build_id="b1")
    assert (kept.who, kept.why, kept.at, kept.van) == ("A. Reeve", "Seen on all of them.", AT, "047")
    assert kept.evidence == {k: MATTER[k] for k in kept.evidence}
    assert kept.last_seen == MATTER["last_seen"]
    assert kept.words == "Known normal for this group"


def test_the_newest_decision_counts_and_a_matter_can_be_opened_again(tmp_path: Path) -> None:
    home = Home(tmp_path)
    _decided(home, "not_a_fault")
    for minutes, choice in ((1, "to_the_bay"), (2, "open")):
        decisions.decide(home, MATTER, choice, who="A", why="B", at=AT + dt.timedelta(minutes=minutes))
        found = decisions.newest(decisions.read_decisions(home))
        assert [d.choice for d in found.values()] == ([choice] if choice != "open" else [])
    assert len(decisions.read_decisions(home)) == 3


@pytest.mark.parametrize(
    ("choice", "who", "why", "until"),
    [
        ("not_a_fault", " ", "x", None),
        ("not_a_fault", "A", " ", None),
        ("not_a_fault", "A" * 81, "x", None),
        ("watch_until", "A", "x", None),
        ("watch_until", "A", "x", AT.date()),
        ("anything", "A", "x", None),
    ],
)
def test_a_decision_without_what_it_needs_is_not_kept(
    tmp_path: Path, choice: str, who: str, why: str, until: dt.date | None
) -> None:
    home = Home(tmp_path).ensure()
    with pytest.raises(KinbayError, match=r"decision|watch"):
        decisions.decide(home, MATTER, choice, who=who, why=why, at=AT, until=until)
    assert list(home.journal.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({}, ""),
        ({"n_scans": 40, "last_seen": AT + dt.timedelta(days=9)}, ""),
        ({"difference": -10.4}, ""),
        ({"difference": -7.0}, ""),
        ({"tier": "watch"}, ""),
        ({"tier": "finding"}, "it is surer now"),
        ({"difference": -10.6}, "the difference has grown beyond its old interval"),
        ({"difference": 4.0}, "the difference has changed sides"),
        ({"difference": None}, ""),
    ],
)
def test_only_evidence_beyond_the_old_brings_a_matter_back(
    tmp_path: Path, change: dict[str, Any], why: str
) -> None:
    kept = _decided(Home(tmp_path), "known_normal")
    assert decisions.say_return(kept, MATTER | change, AT.date()) == why


def test_a_watch_ends_on_its_day(tmp_path: Path) -> None:
    kept = _decided(Home(tmp_path), "watch_until", until=dt.date(2026, 11, 2))
    assert decisions.say_return(kept, MATTER, dt.date(2026, 11, 1)) == ""
    assert decisions.say_return(kept, MATTER, dt.date(2026, 11, 2)) == "the watch ended on 02 Nov 2026"


def test_work_done_is_believed_until_the_van_was_read_again(tmp_path: Path) -> None:
    kept = _decided(Home(tmp_path), "done")
    assert decisions.say_return(kept, MATTER, AT.date()) == ""
    again = MATTER | {"last_seen": AT + dt.timedelta(days=3)}
    assert decisions.say_return(kept, again, AT.date()) == (
        "read again on 08 Oct 2026, after the work, and it still stands out"
    )


def test_better_is_less_sure_or_short_of_the_old_interval() -> None:
    assert decisions.say_movement(MATTER, MATTER | {"tier": "watch"})[0] == "better"
    assert decisions.say_movement(MATTER, MATTER | {"difference": -7.0})[0] == "better"
    assert decisions.say_movement(MATTER, MATTER | {"difference": -8.0})[0] == "same"


def test_each_decision_stands_beside_the_build_as_the_list_has_it(tmp_path: Path) -> None:
    """The table of decisions says in force where the list is quiet, and back with the same reason where it is not."""
    home = Home(tmp_path)
    for minutes, (finding, choice, until) in enumerate(
        [("f1", "known_normal", None), ("f1", "watch_until", AT.date() + dt.timedelta(days=9)),
         ("f2", "not_a_fault", None), ("f3", "to_the_bay", None), ("f4", "not_a_fault", None), ("f4", "open", None)]
    ):  # fmt: skip
        decisions.decide(
            home, {**MATTER, "finding_id": finding}, choice, who="A", why="B", until=until,
            at=AT + dt.timedelta(minutes=minutes), build_id="b1",
        )  # fmt: skip
    now = {f: {**MATTER, "unit": "°C", "finding_id": f} for f in ("f1", "f2", "f4")}
    now["f2"] |= {"tier": "finding", "n_scans": 20}
    kept = decisions.read_decisions(home)
    rows = decided.set_beside(kept, now, AT.date())
    assert [(r["finding_id"], r["number"], r["standing"]) for r in rows] == [
        ("f1", 1, "replaced"), ("f1", 2, "in_force"), ("f2", 1, "back"), ("f3", 1, "not_found"), ("f4", 1, "replaced"), ("f4", 2, "opened"),
    ]  # fmt: skip
    assert rows[2]["why_back"] == decisions.say_return(kept[2], now["f2"], AT.date()) == "it is surer now"
    assert (rows[2]["tier_then"], rows[2]["tier_now"]) == ("likely", "finding")
    assert (rows[2]["n_scans_then"], rows[2]["n_scans_now"]) == (12, 20)
    assert rows[3]["tier_now"] is rows[3]["unit"] is None
    assert rows[3]["last_seen_then"] == MATTER["last_seen"]
    later = decided.set_beside(kept, now, AT.date() + dt.timedelta(days=9))
    assert (later[1]["standing"], later[1]["why_back"]) == ("back", "the watch ended on 14 Oct 2026")
