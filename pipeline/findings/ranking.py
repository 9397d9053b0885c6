"""The order in which matters are shown: strength of evidence first, then size."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.findings.records import TIERS, Finding

# Vans and cohorts that stand out come before records that merely contradict each other.
_PAPERWORK = ("record_conflict",)


def _place(finding: Finding) -> tuple[int, int, int, float, float, str]:
    return (
        TIERS.index(finding.tier),
        int(finding.kind in _PAPERWORK),
        int(not finding.robust),
        finding.q if finding.q is not None else 1.0,
        -abs(finding.score or 0.0),
        finding.finding_id,
    )


def rank(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings best first, each with its place in the list (1 is the first)."""
    return [f.ranked(place) for place, f in enumerate(sorted(findings, key=_place), 1)]
