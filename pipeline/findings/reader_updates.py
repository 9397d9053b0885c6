"""Findings of kind `reader_bias` about one update: a reading that stepped when a reader's software changed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.findings.records import Finding

Row = dict[str, Any]


def _finding(lead: Row, others: list[Row]) -> Finding:
    key, step = lead["parameter"], lead["step"]
    side = "higher" if step > 0 else "lower"
    return Finding(
        kind="reader_bias",
        tier="finding",
        claim=(
            f"{lead['reader']}: since its software went from {lead['version_before']} to {lead['reader_version']} in "
            f"{lead['since']:%B %Y}, {wording.reading_name(key)}, {wording.state_name(lead['state'])}, reads "
            f"{wording.number(abs(step), key)} {side} ({wording.bare(lead['low'], key)} to "
            f"{wording.number(lead['high'], key)}) on {count_of(lead['n_vans'], 'van')} read before and after, against "
            f"{count_of(lead['n_vans_other'], 'van')} read by other readers. The vans have not changed."
        ),
        reader=lead["reader"],
        attribute="reader_version",
        level=lead["reader_version"],
        parameter=key,
        state=lead["state"],
        also=tuple(
            {"parameter": o["parameter"], "state": o["state"], "difference": o["step"]} for o in others
        ),
        against="own_past",
        difference=step,
        unit=lead["unit"],
        interval_low=lead["low"],
        interval_high=lead["high"],
        p=lead["p"],
        q=lead["q"],
        n_vans=lead["n_vans"],
        first_seen=lead["since"],
        rivals=(
            "The vans read by this reader were worked on, or moved, at the same time",
            "Another reader was updated at the same time and moved the other way",
        ),
        next_check=(
            f"Read one van with {lead['reader']} and at once with another reader in the same state, and write down both "
            "with their software versions."
        ),
        cautions=wording.cautions_of(key, lead["state"]),
    )


def find(rows: Iterable[Row], finding_q: float) -> list[Finding]:
    """Make one finding per update and reading out of the steps that are shown and large enough to matter.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `reader_updates` with `smallest_useful`.
    finding_q : float
        False discovery rate of a finding.
    """
    groups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        useful = row["smallest_useful"]
        if row["q"] <= finding_q and (useful is None or abs(row["step"]) >= useful):
            groups[row["reader"], row["reader_version"], row["parameter"]].append(row)
    ordered = (
        sorted(group, key=lambda r: (r["q"], -abs(r["step"]), r["state"])) for group in groups.values()
    )
    return [_finding(group[0], group[1:]) for group in ordered]
