"""The order in which matters are shown: what may stop a van first, then evidence, weighed by danger and age."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from pipeline import vocabulary
from pipeline.findings.records import TIERS, Finding

# Vans and cohorts that stand out come before records that merely contradict each other.
_PAPERWORK = ("record_conflict",)
# Work that held is good news: told, but after all that somebody has to look into.
_GOOD_NEWS = ("repair_effect", "held")
STOP_NOTICE = "SC12"
# Cautions about what can kill or maim whoever looks into it: fuel under pressure, restraints, raised van, refrigerant.
GRAVE = ("SC01", "SC05", "SC08", "SC10")
TOO_HOT_C = 105.0  # coolant at which the stop-use notice applies (caution SC12); proposal
SAFETY_WEIGHT = {"stop": 4.0, "grave": 1.5, "other": 1.0}  # a choice
FRESH_DAYS, OLD_DAYS = 90, 365
AGE_WEIGHT = {"fresh": 1.0, "stale": 0.7, "old": 0.4}  # a choice: what was last seen long ago can wait
LEAST_EVIDENCE, MOST_EVIDENCE = 0.3, 6.0  # of -log10 q: beyond a millionth, more certainty changes nothing
UNTESTED = {"finding": 3.0, "likely": 1.0}  # evidence of matters that have no q: counts and shares; a choice


def _texts() -> dict[str, str]:
    return {c.text: c.key for c in vocabulary.cautions()}


def safety_class(finding: Finding) -> str:
    """Return `stop`, `grave` or `other` by the cautions that go with a finding."""
    known = _texts()
    keys = {known.get(text) for text in finding.cautions}
    if STOP_NOTICE in keys:
        return "stop"
    return "grave" if keys & set(GRAVE) else "other"


def with_stop_notice(finding: Finding) -> Finding:
    """Put the stop-use notice before the cautions of a van whose coolant is too hot."""
    is_hot = finding.parameter == "coolant_temp" and finding.van and (finding.value or 0.0) >= TOO_HOT_C
    if not is_hot or finding.kind == "van_change":
        return finding
    notice = {c.key: c.text for c in vocabulary.cautions()}[STOP_NOTICE]
    return replace(finding, cautions=tuple(dict.fromkeys([notice, *finding.cautions])))


def evidence(finding: Finding) -> float:
    """Return the strength of evidence, -log10 q within bounds, one more where it holds under the cautious null."""
    if finding.q is None:
        return UNTESTED.get(finding.tier, LEAST_EVIDENCE)
    strength = -math.log10(max(finding.q, 10**-MOST_EVIDENCE))
    return max(strength, LEAST_EVIDENCE) + float(bool(finding.robust))


def _age_class(finding: Finding, newest: datetime | None) -> str:
    if finding.last_seen is None or newest is None:
        return "stale"
    days = (newest - finding.last_seen).days
    return "fresh" if days <= FRESH_DAYS else "stale" if days <= OLD_DAYS else "old"


def weight(finding: Finding, newest: datetime | None) -> float:
    """Return safety x evidence x age."""
    return SAFETY_WEIGHT[safety_class(finding)] * evidence(finding) * AGE_WEIGHT[_age_class(finding, newest)]


def rank(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings best first, each with its place in the list (1 is the first).

    First those that carry the stop-use notice and stand out at least likely; then by tier, what concerns vans
    before paperwork and good news, and within a tier by safety x evidence x age.
    """
    known = [with_stop_notice(f) for f in findings]
    newest = max((f.last_seen for f in known if f.last_seen is not None), default=None)

    def place(finding: Finding) -> tuple[bool, int, bool, float, float, str]:
        stops = safety_class(finding) == "stop" and finding.tier in ("finding", "likely")
        return (
            not stops,
            TIERS.index(finding.tier),
            finding.kind in _PAPERWORK or (finding.kind, finding.level) == _GOOD_NEWS,
            -weight(finding, newest),
            -abs(finding.score or 0.0),
            finding.finding_id,
        )

    return [f.ranked(number) for number, f in enumerate(sorted(known, key=place), 1)]
