"""One matter, one entry: findings that say the same of one subject become one, the others stand in its `also`."""

from __future__ import annotations

import tomllib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import cache
from importlib.resources import files
from typing import Any

from pipeline.findings import movement_words, wording
from pipeline.findings.records import TIERS, Finding
from pipeline.vocabulary.physics import worked_out

VAN_KINDS = ("van_level", "van_change", "van_drift")
MERGED_KINDS = (*VAN_KINDS, "cohort_offset", "exposure_effect", "reader_bias")
NEWS = (
    "van_drift",
    "van_change",
    "van_level",
)  # of equal tiers: what says since when, and what comes next, leads
MOST_NAMED = 3  # other readings named in a claim


@cache
def kinship() -> dict[tuple[str, str], int]:
    """Return the sign with which two readings move together, by ordered pair of keys."""
    text = files("pipeline.findings").joinpath("kinship.toml").read_text(encoding="utf-8")
    found: dict[tuple[str, str], int] = {}
    for pair in tomllib.loads(text)["pair"]:
        one, other = pair["readings"]
        found[one, other] = found[other, one] = pair["sign"]
    return found


@cache
def _follows() -> frozenset[str]:
    """Readings that stand second in some pair, or are worked out of others: they lead only by stronger evidence."""
    text = files("pipeline.findings").joinpath("kinship.toml").read_text(encoding="utf-8")
    second = {pair["readings"][1] for pair in tomllib.loads(text)["pair"]}
    return frozenset(second | set(_sources()))


@cache
def _sources() -> dict[str, frozenset[str]]:
    """Readings that are worked out of others, with those others."""
    return {w.parameter: frozenset(w.inputs) for w in worked_out()}


def _is_worked_out_of(one: str, other: str) -> bool:
    return one in _sources().get(other, ()) or other in _sources().get(one, ())


def _subject(finding: Finding) -> tuple[Any, ...] | None:
    """What a finding is about, reading and state left aside; None where it is never merged here."""
    if finding.kind not in MERGED_KINDS or finding.parameter is None or finding.code is not None:
        return None
    kind = "van" if finding.kind in VAN_KINDS else finding.kind
    if kind == "reader_bias" and finding.tier == "not_enough_evidence":
        return None
    return (kind, finding.van, finding.cohort_id if kind != "van" else None, finding.reader, finding.attribute,
            finding.level, finding.against if kind != "van" else None)  # fmt: skip


def _strength(finding: Finding) -> tuple[int, int, bool, bool, float, float, str]:
    """Order in which findings of one subject lead: tier, course before news before standing, cause before consequence, q.

    A reader's readings are not causes of one another: there the surest leads.
    """
    return (
        TIERS.index(finding.tier),
        NEWS.index(finding.kind) if finding.kind in NEWS else 0,
        finding.channel is not None,
        finding.kind != "reader_bias" and finding.parameter in _follows(),
        1.0 if finding.q is None else finding.q,
        -abs(finding.score or 0.0),
        finding.finding_id,
    )


def _is_same(lead: Finding, other: Finding) -> bool:
    """Whether another finding of the same subject is the same physical matter."""
    if lead.channel != other.channel or lead.difference is None or other.difference is None:
        return lead.parameter == other.parameter
    if lead.channel is None and _is_worked_out_of(str(lead.parameter), str(other.parameter)):
        return True
    together = lead.difference * other.difference > 0
    if lead.parameter == other.parameter:
        return together
    sign = kinship().get((str(lead.parameter), str(other.parameter)))
    return sign is not None and together == (sign > 0)


def _cells(finding: Finding) -> list[dict[str, Any]]:
    if finding.channel is not None:  # its own cell stands in `also` already, with the channel
        return list(finding.also)
    return [
        {"parameter": finding.parameter, "state": finding.state, "difference": finding.difference},
        *finding.also,
    ]


def _said(finding: Finding) -> str:
    """One merged finding as a few words."""
    key = str(finding.parameter)
    name = f"{wording.reading_name(key)}, {wording.state_name(finding.state)}"
    if finding.channel is not None:
        return f"{name} {movement_words.said(finding.channel, finding.difference)}"
    if finding.difference is None:
        return name
    size = wording.number(abs(finding.difference), key)
    side = "higher" if finding.difference > 0 else "lower"
    if finding.kind == "van_change":
        side = "risen" if finding.difference > 0 else "fallen"
        return f"{name} has {side} by {size} of late"
    if finding.kind == "van_drift":
        side = "climbed" if finding.difference > 0 else "fallen"
        return f"{name} has {side} by {size} over time"
    return f"{name} is {size} {side}"


def _join(lead: Finding, others: Sequence[Finding]) -> Finding:
    """Put others into a finding: cells, a sentence, cautions."""
    seen = {(lead.parameter, lead.state, None)} if lead.channel is None else set()
    also = []
    for cell in [*lead.also, *(c for o in others for c in _cells(o))]:
        key = (cell["parameter"], cell["state"], cell.get("channel"))
        if key not in seen:
            seen.add(key)
            also.append(cell)
    said = [_said(o) for o in others[:MOST_NAMED]]
    more = f"; and {len(others) - MOST_NAMED} more" if len(others) > MOST_NAMED else ""
    return replace(
        lead,
        claim=f"{lead.claim} The same matter: {'; '.join(said)}{more}.",
        also=tuple(also),
        cautions=tuple(dict.fromkeys([*lead.cautions, *(c for o in others for c in o.cautions)])),
    )


def _merge_subject(group: list[Finding]) -> list[Finding]:
    left, done = sorted(group, key=_strength), []
    while left:
        lead, rest = left[0], left[1:]
        others = [f for f in rest if _is_same(lead, f)]
        done.append(_join(lead, others) if others else lead)
        left = [f for f in rest if f not in others]
    return done


def _is_explained(finding: Finding, fleetwide: set[tuple[Any, ...]]) -> bool:
    """A code on one van that a whole cohort shows, and that does not stand out by itself."""
    subject = (finding.cohort_id, finding.module, finding.code)
    return finding.kind == "code_persistent" and finding.tier == "watch" and subject in fleetwide


def merge(findings: Iterable[Finding]) -> list[Finding]:
    """Return one finding per matter.

    Level and recent change of one reading of a van are one matter where they point the same way, and so are
    readings that move together (`kinship.toml`) or are worked out of one another; unsteadiness and steps between
    states join the level of the same reading. The same holds for the readings of a cohort, an exposure level or a
    reader. Of equal tiers the drift leads, since it tells the whole course, then the change, since it is news, and the
    reading that drives the other. A code that a
    whole cohort is told to show is not told again of each of its vans.
    """
    known = list(findings)
    groups: dict[tuple[Any, ...], list[Finding]] = defaultdict(list)
    done = []
    for finding in known:
        subject = _subject(finding)
        if subject is None:
            done.append(finding)
        else:
            groups[subject].append(finding)
    for group in groups.values():
        done += _merge_subject(group)
    fleetwide = {
        (f.cohort_id, f.module, f.code) for f in known if f.kind == "code_fleetwide" and f.tier == "finding"
    }
    return [f for f in done if not _is_explained(f, fleetwide)]
