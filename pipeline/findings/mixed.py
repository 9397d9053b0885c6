"""Several causes of one reading on one van: the finding says that it is mixed, and names them all."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.findings.records import Finding

SAYS_SO = ("finding", "likely")
FEW_VANS = 8  # a share that rests on fewer vans is worded as doubtful; a choice
LOWERED = {"finding": "likely", "likely": "watch"}


@dataclass(frozen=True)
class TakenOff:
    """What was taken off a van's reading before it was judged.

    `kind` is reader or exposure, `name` the reader or attribute, `level` the exposure's level, `amount` in the
    reading's unit, `n_vans` those it rests on (of an exposure: the smaller side), `twin` an exposure that cannot be told from it.
    """

    kind: str
    name: str
    level: str
    amount: float
    n_vans: int
    twin: str | None

    @property
    def doubt(self) -> str:
        """Why the amount is not to be relied on; empty where it is."""
        if self.twin:
            return f"cannot be told from {self.twin.replace('_', ' ')}"
        return f"rests on {count_of(self.n_vans, 'van')} only" if self.n_vans < FEW_VANS else ""

    def says(self, parameter: str) -> str:
        """Return the cause as it stands in a list."""
        size = wording.number(abs(self.amount), parameter)
        way = "more" if self.amount > 0 else "less"
        doubt = f", which {self.doubt}" if self.doubt else ""
        if self.kind == "reader":
            return f"reader {self.name}, {size} {way} on average over its scans{doubt}"
        return f"{self.name.replace('_', ' ')} {self.level}, {size} {way}{doubt}"


def _is_doubtful(finding: Finding, taken: Sequence[TakenOff]) -> bool:
    """Whether what stands out may be what was taken off on thin evidence."""
    doubtful = sum(abs(t.amount) for t in taken if t.doubt)
    return finding.difference is not None and doubtful >= abs(finding.difference) / 2


def _cohort_words(finding: Finding, offsets: Mapping[tuple[str, str], Finding]) -> list[str]:
    offset = offsets.get((finding.cohort_id or "", finding.parameter or ""))
    if offset is None or offset.difference is None or finding.parameter is None:
        return []
    side = "above" if offset.difference > 0 else "below"
    size = wording.number(abs(offset.difference), finding.parameter)
    return [f"its whole model year, {size} {side} the others"]


def _tell(finding: Finding, taken: Sequence[TakenOff], offsets: Mapping[tuple[str, str], Finding]) -> Finding:
    causes = [t.says(str(finding.parameter)) for t in taken] + _cohort_words(finding, offsets)
    if not causes:
        return finding
    doubted = _is_doubtful(finding, taken)
    thin = (
        " What was taken off is large beside what is left and rests on thin evidence, so this is put one grade lower."
        if doubted
        else ""
    )
    return replace(
        finding,
        tier=LOWERED[finding.tier] if doubted else finding.tier,
        claim=(
            f"{finding.claim} Mixed: besides the van itself, {wording.listed(causes)}. What is named is taken off before the van is "
            f"judged.{thin}"
        ),
        rivals=(*(f"Also at work here: {cause}" for cause in causes), *finding.rivals),
    )


def is_told(finding: Finding) -> bool:
    """Whether other causes of the same reading are told with it: of a van that stands out in its level."""
    return finding.kind == "van_level" and finding.channel is None and finding.tier in SAYS_SO


def tell(
    findings: Iterable[Finding], taken_off: Mapping[tuple[str, str, str], Sequence[TakenOff]]
) -> list[Finding]:
    """Say of every van that stands out in its level what else was found in the same reading.

    Parameters
    ----------
    findings : iterable of Finding
        Those of vans, cohorts, readers and exposures; others pass as they are.
    taken_off : mapping
        By (van, parameter, state).

    Notes
    -----
    Exactly one significant cause names a finding; with several it is told as mixed. A doubtful share (few vans, or
    exposures that cannot be told apart) of half the difference or more lowers the tier by one grade.
    """
    known = list(findings)
    offsets = {
        (f.cohort_id or "", f.parameter or ""): f
        for f in known
        if f.kind == "cohort_offset" and f.against == "other_cohorts" and f.tier in SAYS_SO
    }
    return [
        _tell(f, taken_off.get((f.van or "", f.parameter or "", f.state or ""), ()), offsets)
        if is_told(f)
        else f
        for f in known
    ]
