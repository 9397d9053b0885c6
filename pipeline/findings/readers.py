"""Findings of kind `reader_bias`: a reader that shows another value than the others, or that cannot be compared."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from pipeline.findings import wording
from pipeline.findings.records import Finding

Row = dict[str, Any]


def _bias(rows: list[Row]) -> Finding:
    lead, *others = sorted(rows, key=lambda r: (r["q"], r["p"]))
    key, shift = lead["parameter"], lead["estimate"]
    way = "more" if shift > 0 else "less"
    return Finding(
        kind="reader_bias",
        tier=lead["tier"],
        claim=(
            f"{lead['reader']} shows {wording.number(abs(shift), key)} {way} than {lead['reference']} in "
            f"{wording.reading_name(key)}, {wording.state_name(lead['state'])} ({wording.bare(lead['low'], key)} to "
            f"{wording.number(lead['high'], key)}, 95 %; {wording.vans(lead['n_vans'])} read with both). It is the "
            "reader, not the vans; it is taken off before vans are compared."
        ),
        reader=lead["reader"],
        parameter=key,
        state=lead["state"],
        also=tuple(
            {"parameter": o["parameter"], "state": o["state"], "difference": o["estimate"]} for o in others
        ),
        against="other_reader",
        difference=shift,
        unit=lead["unit"],
        interval_low=lead["low"],
        interval_high=lead["high"],
        p=lead["p"],
        q=lead["q"],
        n_vans=lead["n_vans"],
        n_siblings=lead["n_vans"],
        n_scans=lead["n_scans"],
        first_seen=lead["first_seen"],
        last_seen=lead["last_seen"],
        rivals=(
            "The other reader is the one that is off: which of the two is right, this cannot tell",
            "The two readers take the value from different places or at different moments",
        ),
        next_check=(
            f"Read one van with {lead['reader']} and {lead['reference']} one after the other in the same state, and "
            "measure the value by hand where that can be done safely."
        ),
        cautions=wording.cautions_of(key, lead["state"]),
    )


def _confounded(rows: list[Row]) -> Finding:
    lead, *others = sorted(rows, key=lambda r: (-r["n_vans_only"], r["parameter"], r["state"]))
    key = lead["parameter"]
    names = {p: wording.reading_name(p) for p in dict.fromkeys(r["parameter"] for r in rows)}
    what = names[key] if len(names) == 1 else f"{names[key]} and {len(names) - 1} more readings"
    return Finding(
        kind="reader_bias",
        tier="not_enough_evidence",
        claim=(
            f"{lead['reader']} and the readers of the other vans have too few vans in common in {what}: whether "
            f"{wording.vans(lead['n_vans_only'])} read only with it differ, or the reader does, cannot be told. "
            "They are not judged there."
        ),
        van=lead["only_van"] if lead["n_vans_only"] == 1 else None,
        reader=lead["reader"],
        parameter=key,
        state=lead["state"],
        also=tuple({"parameter": o["parameter"], "state": o["state"], "difference": None} for o in others),
        against="other_reader",
        unit=lead["unit"],
        n_vans=lead["n_vans_only"],
        n_siblings=0,
        n_scans=lead["n_scans"],
        first_seen=lead["first_seen"],
        last_seen=lead["last_seen"],
        rivals=("The reader is off", "These vans differ"),
        next_check=(
            f"Scan three of these vans again with {lead['other_reader'] or 'another reader'}, or three of their "
            f"siblings with {lead['reader']}, at {wording.state_name(lead['state'])}: that decides it."
        ),
        cautions=wording.cautions_of(key, lead["state"]),
    )


def find(biases: Iterable[Row], confounded: Iterable[Row]) -> list[Finding]:
    """Make one finding per biased reader and reading, and one per reader that cannot be compared.

    Parameters
    ----------
    biases : iterable of dict
        Rows of `computed.reader_effects` that are significant, with `tier`, unit, scans and dates.
    confounded : iterable of dict
        Reader x reading x state in which vans were read with no reader that their siblings share.
    """
    by_reading: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in biases:
        by_reading[row["reader"], row["parameter"]].append(row)
    by_reader: dict[str, list[Row]] = defaultdict(list)
    for row in confounded:
        by_reader[row["reader"]].append(row)
    return [_bias(rows) for rows in by_reading.values()] + [_confounded(rows) for rows in by_reader.values()]
