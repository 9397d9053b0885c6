"""What people decided about matters, and when the evidence has moved past a decision.

A decision is a journal entry. It quiets its matter, and takes nothing out of the findings: they are made anew by
every build, decided or not. It keeps the evidence it was made on (tier, scans, difference with its interval), and
a later build that goes beyond that evidence brings the matter back and says why.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from pipeline.errors import KinbayError
from pipeline.journal import read_entries, write_entry
from pipeline.settings import Home

KIND = "decision"
CHOICES = {
    "known_normal": "Known normal for this group",
    "watch_until": "Watch until a date",
    "to_the_bay": "To the bay",
    "done": "Done, work recorded",
    "not_a_fault": "Not a fault",
    "open": "Open again",
}
SURER = ("finding", "likely", "watch", "not_enough_evidence")
"""Tiers from the surest on."""
LONGEST_WHO, LONGEST_WHY = 80, 600
_EVIDENCE = ("tier", "n_scans", "value", "difference", "interval_low", "interval_high")


@dataclass(frozen=True)
class Decision:
    """One decision about one matter and the evidence it was made on.

    Parameters
    ----------
    finding_id, choice : str
        The matter; a key of `CHOICES`.
    at : datetime.datetime
        When, naive UTC.
    who, why : str
        In the person's words.
    until : datetime.date, optional
        The day a watch ends; for `watch_until` alone.
    evidence : mapping
        `tier`, `n_scans`, `value`, `difference`, `interval_low`, `interval_high` of the matter at that time.
    last_seen : datetime.datetime, optional
        The newest scan behind the matter at that time, naive UTC.
    van, claim, build_id : str, optional
        The van, the sentence decided about, and the build it came from.
    """

    finding_id: str
    choice: str
    at: dt.datetime
    who: str
    why: str
    until: dt.date | None
    evidence: Mapping[str, Any]
    last_seen: dt.datetime | None = None
    van: str | None = None
    claim: str = ""
    build_id: str = ""

    @property
    def words(self) -> str:
        """The choice in words."""
        if self.choice == "watch_until" and self.until:
            return f"Watch until {self.until:%d %b %Y}"
        return CHOICES[self.choice]


def decide(
    home: Home,
    matter: Mapping[str, Any],
    choice: str,
    *,
    who: str,
    why: str,
    at: dt.datetime,
    until: dt.date | None = None,
    build_id: str = "",
) -> str:
    """Write a decision into the journal and return the entry's name.

    Parameters
    ----------
    matter : mapping
        A row of the findings: `finding_id`, `claim`, `van`, `last_seen` and its evidence.
    choice : str
        A key of `CHOICES`.
    at : datetime.datetime
        Naive UTC.

    Raises
    ------
    KinbayError
        Where who or why is missing or too long, the choice is not known, or a watch has no day to come.
    """
    check(choice, who, why, until, at.date())
    who, why = " ".join(who.split()), why.strip()
    seen = matter.get("last_seen")
    content = {
        "finding_id": matter["finding_id"],
        "choice": choice,
        "who": who,
        "why": why,
        "until": until.isoformat() if until and choice == "watch_until" else None,
        "van": matter.get("van"),
        "claim": matter.get("claim") or "",
        "build_id": build_id,
        "last_seen": seen.isoformat() if seen else None,
        **{name: matter.get(name) for name in _EVIDENCE},
    }
    return write_entry(home, KIND, at, content)


def check(choice: str, who: str, why: str, until: dt.date | None, today: dt.date) -> None:
    """Refuse a decision that lacks something.

    Raises
    ------
    KinbayError
        As `decide`; nothing is written.
    """
    fault = _fault(choice, " ".join(who.split()), why.strip(), until, today)
    if fault:
        raise KinbayError(fault, remedy="Nothing was kept. Fill it in and press the button again.")


def _fault(choice: str, who: str, why: str, until: dt.date | None, today: dt.date) -> str:
    """What is missing for a decision; empty where nothing is."""
    if choice not in CHOICES:
        return "There is no such decision"
    if not who or len(who) > LONGEST_WHO:
        return f"A decision needs a name, {LONGEST_WHO} letters at most"
    if not why or len(why) > LONGEST_WHY:
        return f"A decision needs a reason, {LONGEST_WHY} letters at most"
    if choice == "watch_until" and (until is None or until <= today):
        return "A watch needs a day to come"
    return ""


def _moment(text: object) -> dt.datetime | None:
    if not isinstance(text, str):
        return None
    moment = dt.datetime.fromisoformat(text)
    return moment.astimezone(dt.UTC).replace(tzinfo=None) if moment.tzinfo else moment


def _from_entry(entry: dict[str, Any]) -> Decision:
    until = entry.get("until")
    return Decision(
        finding_id=str(entry["finding_id"]),
        choice=entry["choice"] if entry.get("choice") in CHOICES else "open",
        at=_moment(entry["at"]) or dt.datetime.min,
        who=str(entry.get("who") or ""),
        why=str(entry.get("why") or ""),
        until=dt.date.fromisoformat(until) if until else None,
        evidence={name: entry.get(name) for name in _EVIDENCE},
        last_seen=_moment(entry.get("last_seen")),
        van=entry.get("van"),
        claim=str(entry.get("claim") or ""),
        build_id=str(entry.get("build_id") or ""),
    )


@lru_cache(maxsize=8)
def _read(home: Home, _changed_ns: int) -> tuple[Decision, ...]:
    try:
        return tuple(_from_entry(e) for e in read_entries(home, KIND))
    except (KeyError, ValueError, TypeError) as error:
        raise KinbayError(
            "A decision in the journal cannot be read", str(error), "Restore it from a backup."
        ) from error


def read_decisions(home: Home) -> tuple[Decision, ...]:
    """Return every decision, oldest first; read again only when the journal folder has changed.

    Raises
    ------
    KinbayError
        Where an entry is damaged.
    """
    if not home.journal.is_dir():
        return ()
    return _read(home, home.journal.stat().st_mtime_ns)


def newest(decisions: tuple[Decision, ...]) -> dict[str, Decision]:
    """Return the newest decision of each matter; one that opened it again counts as none."""
    found = {d.finding_id: d for d in decisions}
    return {key: d for key, d in found.items() if d.choice != "open"}


def say_movement(before: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[str, str]:
    """Compare a matter's evidence with an earlier one.

    Worse is a surer tier, or a figure beyond the earlier 95 % interval on the side away from none, or on the
    other side of none. Better is a less sure tier, or a figure short of that interval.

    Returns
    -------
    tuple of str
        `worse`, `better` or `same`, and why in words.
    """
    old, new = SURER.index(before["tier"]), SURER.index(now["tier"])
    if new != old:
        return ("worse", "it is surer now") if new < old else ("better", "it is less sure now")
    figure = now.get("difference")
    low, high = before.get("interval_low"), before.get("interval_high")
    if figure is None or low is None or high is None or before.get("difference") is None:
        return "same", ""
    if figure * before["difference"] < 0 and not low <= figure <= high:
        return "worse", "the difference has changed sides"
    far, near = max(abs(low), abs(high)), min(abs(low), abs(high))
    if abs(figure) > far:
        return "worse", "the difference has grown beyond its old interval"
    if abs(figure) < near and low * high > 0:
        return "better", "the difference has shrunk below its old interval"
    return "same", ""


def say_return(decision: Decision, matter: Mapping[str, Any], today: dt.date) -> str:
    """Say why a decided matter is back on the list; empty while the decision still quiets it."""
    if decision.choice == "watch_until" and decision.until and today >= decision.until:
        return f"the watch ended on {decision.until:%d %b %Y}"
    moved, why = say_movement(decision.evidence, matter)
    if moved == "worse":
        return why
    seen = matter.get("last_seen")
    if decision.choice == "done" and seen is not None and seen > decision.at:
        return f"read again on {seen:%d %b %Y}, after the work, and it still stands out"
    return ""
