"""Findings of kind `reader_bias`: a reader that shows another value than the others, always or since an update."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from pipeline.compare.power import pairs_needed
from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.findings.records import Finding, Row, cells, surest_first
from pipeline.findings.unmet_readers import SHARED_VANS


def _bias_rivals(lead: Row) -> tuple[str, ...]:
    agreeing = lead["agreeing"]
    which = (
        f"That {lead['reference']} is off is unlikely: {wording.listed(agreeing)} agrees with it"
        if agreeing
        else f"{lead['reference']} is the one that is off: with two readers it cannot be said which"
    )
    return wording.joined(
        (
            which,
            "The two readers take the value from different places, at different moments or in another rounding",
            "They read the vans on different days, in other weather or after other work",
        )
    )


def _bias_check(lead: Row) -> str:
    """Which is off is asked by hand; whether any is, by as many vans as find a difference of this size 8 times in 10."""
    state = wording.state_name(lead["state"])
    by_hand = (
        f"Read one van at {state} with {lead['reader']} and {lead['reference']} one after the other, and measure the value "
        "by hand where that can be done safely."
    )
    if lead["effect"] or lead["is_reference"]:
        return by_hand
    scan_sd = lead.get("scan_sd")
    n = pairs_needed(lead["estimate"], None if scan_sd is None else scan_sd * 2**0.5, least=SHARED_VANS)
    if n is None:
        return by_hand
    return f"To be sure, read {count_of(n, 'van')} at {state} with both readers, once each. {by_hand}"


def _bias(rows: list[Row]) -> Finding:
    lead, *others = surest_first(rows)
    key, shift = lead["parameter"], lead["estimate"]
    way = "more" if shift > 0 else "less"
    taken = (
        "It is the reader, not the vans: it is taken off before vans are compared."
        if lead["effect"] or lead["is_reference"]
        else "Not sure enough to be taken off before vans are compared."
    )
    return Finding(
        kind="reader_bias",
        tier=lead["tier"],
        claim=(
            f"{lead['reader']} shows {wording.number(abs(shift), key)} {way} than {lead['reference']} on the same vans "
            f"in {wording.reading_name(key)}, {wording.state_name(lead['state'])} (95 % interval "
            f"{wording.bare(lead['low'], key)} to {wording.number(lead['high'], key)}, from {count_of(lead['n_vans'], 'van')} "
            f"read with several readers). {taken}"
        ),
        reader=lead["reader"],
        parameter=key,
        state=lead["state"],
        also=cells(others, "estimate"),
        against="other_reader",
        difference=shift,
        unit=lead["unit"],
        interval_low=lead["low"],
        interval_high=lead["high"],
        p=lead["p"],
        q=lead["q"],
        n_vans=lead["n_vans"],
        n_scans=lead["n_scans"],
        first_seen=lead["first_seen"],
        last_seen=lead["last_seen"],
        rivals=_bias_rivals(lead),
        next_check=_bias_check(lead),
        cautions=wording.cautions_of(key, lead["state"]),
    )


def _update(rows: list[Row]) -> Finding:
    lead, *others = surest_first(rows)
    key, step = lead["parameter"], lead["step"]
    side = "higher" if step > 0 else "lower"
    return Finding(
        kind="reader_bias",
        tier=lead["tier"],
        claim=(
            f"{lead['reader']}: since its software went from {lead['version_before']} to {lead['reader_version']} in "
            f"{lead['since']:%B %Y}, {wording.reading_name(key)}, {wording.state_name(lead['state'])}, reads "
            f"{wording.number(abs(step), key)} {side} ({wording.bare(lead['low'], key)} to "
            f"{wording.number(lead['high'], key)}) on {count_of(lead['n_vans'], 'van')} read before and after, against "
            f"{count_of(lead['n_vans_other'], 'van')} read by other readers. The vans have not changed: it is taken off before they are compared."
        ),
        reader=lead["reader"],
        attribute="reader_version",
        level=lead["reader_version"],
        parameter=key,
        state=lead["state"],
        also=cells((*others, *lead["explained"]), "step"),
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
            "All other readers were updated within the same days and moved the other way",
        ),
        next_check=(
            f"Read one van with {lead['reader']} and at once with another reader in the same state, and write down both "
            "with their software versions."
        ),
        cautions=wording.cautions_of(key, lead["state"]),
    )


def find(biases: Iterable[Row], updates: Iterable[Row]) -> list[Finding]:
    """Make one finding per biased reader and reading, and one per update and reading that it moved.

    Parameters
    ----------
    biases : iterable of dict
        Rows of `computed.reader_effects` with `tier`, unit, scans, dates, `agreeing` (readers that agree with the
        reference) and `is_reference` (it is the reference that stands apart from all others).
    updates : iterable of dict
        Rows of `reader_updates` with `tier` and `explained`: the biases, as steps, that the update accounts for.
    """
    by_reading: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in biases:
        by_reading[row["reader"], row["parameter"]].append(row)
    by_update: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in updates:
        by_update[row["reader"], row["reader_version"], row["parameter"]].append(row)
    return [_bias(rows) for rows in by_reading.values()] + [_update(rows) for rows in by_update.values()]
