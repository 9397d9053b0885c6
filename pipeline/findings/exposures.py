"""Findings of kind `exposure_effect` about readings: what goes with parking, fittings or a depot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from pipeline.findings import wording
from pipeline.findings.records import Finding

Row = dict[str, Any]
NOT_AT_RANDOM = "Vans were not parked or fitted at random: depot, route, age or driver may go with it"


def _attribute(name: str) -> str:
    return name.replace("_", " ")


def _pairs(row: Row) -> str:
    if not row["n_pairs"] or row["pair_shift"] is None:
        return ""
    key = row["parameter"]
    return (
        f" {wording.vans(row['n_pairs'])} read both ways moved by {wording.bare(row['pair_shift'], key)} "
        f"({wording.bare(row['pair_low'], key)} to {wording.number(row['pair_high'], key)})."
    )


def _rivals(row: Row, overlaps: Iterable[Row]) -> tuple[str, ...]:
    found = [NOT_AT_RANDOM]
    if row["twin_attribute"]:
        found.insert(
            0,
            f"{_attribute(row['twin_attribute'])} {row['twin_level']} stands on the same vans: the two cannot be told apart",
        )
    found += [
        f"these vans also differ in {_attribute(o['rival'])}"
        for o in overlaps
        if o["p"] is not None and o["p"] < 0.01 and o["rival"] in ("odometer_km", "age_years")
    ]
    return wording.joined(tuple(found))


def _finding(rows: list[Row], overlaps: Iterable[Row]) -> Finding:
    lead, *others = sorted(rows, key=lambda r: (r["tier"] != "finding", r["p"]))
    key, shift = lead["parameter"], lead["shift"]
    side = "above" if shift > 0 else "below"
    attribute = _attribute(lead["attribute"])
    return Finding(
        kind="exposure_effect",
        tier=lead["tier"],
        claim=(
            f"Vans with {attribute} {lead['level_name']} read {wording.number(abs(shift), key)} {side} those with "
            f"{attribute} {lead['other_level_name']} in {wording.reading_name(key)}, "
            f"{wording.state_name(lead['state'])} ({wording.bare(lead['shift_low'], key)} to "
            f"{wording.number(lead['shift_high'], key)}, 95 %; {wording.vans(lead['n_vans'])} against "
            f"{lead['n_vans_other']}, within {lead['n_cohorts']} cohorts).{_pairs(lead)} It is taken off before vans "
            f"are compared. An association, not a cause."
        ),
        attribute=lead["attribute"],
        level=lead["level_name"],
        parameter=key,
        state=lead["state"],
        also=tuple(
            {"parameter": o["parameter"], "state": o["state"], "difference": o["shift"]} for o in others
        ),
        against="other_level",
        difference=shift,
        unit=lead["unit"],
        interval_low=lead["shift_low"],
        interval_high=lead["shift_high"],
        p=lead["p"],
        q=lead["q"],
        n_siblings=lead["n_vans_other"],
        n_vans=lead["n_vans"] + lead["n_vans_other"],
        n_scans=lead["n_scans"],
        first_seen=lead["first_seen"],
        last_seen=lead["last_seen"],
        rivals=_rivals(lead, overlaps),
        next_check=(
            f"Change {attribute} of two vans for four weeks and read them before and after, in the same state and "
            "with the same reader: a van seen both ways settles it."
        ),
        cautions=wording.cautions_of(key, lead["state"]),
    )


def find(rows: Iterable[Row], overlaps: Mapping[tuple[str, str], list[Row]]) -> list[Finding]:
    """Make one finding per exposure level and reading; states of one reading are one matter.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `exposure_effects` with `tier` finding or likely.
    overlaps : mapping
        Rows of `exposure_overlaps` by (attribute, level).
    """
    groups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row["attribute"], row["level"], row["parameter"]].append(row)
    return [_finding(group, overlaps.get(key[:2], [])) for key, group in groups.items()]
