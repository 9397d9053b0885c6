"""Findings of kind `exposure_effect` about readings: what goes with parking, fittings or a depot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

from pipeline.compare.power import pairs_needed
from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.findings.records import Finding, Row, cells, surest_first

NOT_AT_RANDOM = "Vans were not parked or fitted at random: route, driver or work may go with it"
ALONGSIDE = 0.8  # share of vans from which another exposure is named as going along; a choice
CLEAR_P = 0.01  # a difference in mileage or age is named below this p-value
SCANS_EACH_WAY = 3
DECIDING_PAIRS = 6  # vans seen both ways from which their own change can decide (two-sided p of 0.03)


def plain(name: str) -> str:
    """Return an attribute's name as people say it."""
    return name.replace("_", " ")


def _pairs(row: Row) -> str:
    """What the vans say that were seen both ways."""
    if not row["n_pairs"] or row["pair_shift"] is None:
        return ""
    key = row["parameter"]
    moved = (
        f" {count_of(row['n_pairs'], 'van')} seen both ways moved by {wording.number(row['pair_shift'], key)}"
    )
    if row["pair_low"] is None:
        return f"{moved}."
    return f"{moved} ({wording.bare(row['pair_low'], key)} to {wording.bare(row['pair_high'], key)})."


def _amount(overlap: Row) -> str:
    more = "more" if overlap["shift"] > 0 else "less"
    if overlap["rival"] == "odometer_km":
        return f"{abs(overlap['shift']):,.0f} km {more} on the clock"
    return f"{abs(overlap['shift']):.1f} years {'older' if overlap['shift'] > 0 else 'younger'}"


def _along(overlaps: Iterable[Row], row: Row) -> list[str]:
    """Other things that differ between the vans of the two levels."""
    found = []
    for o in overlaps:
        if o["rival"] in ("odometer_km", "age_years"):
            if o["p"] is not None and o["p"] < CLEAR_P:
                found.append(f"These vans also have {_amount(o)}")
        elif o["n_same"] >= ALONGSIDE * o["n_vans"] and o["rival"] != row["twin_attribute"]:
            found.append(
                f"{plain(o['rival'])} {o['rival_level']} goes along on {o['n_same']} of {count_of(o['n_vans'], 'van')}"
            )
    return found


def _is_denied(row: Row) -> bool:
    """Vans seen both ways did not move, though their interval would have shown the shift."""
    if row["n_pairs"] < DECIDING_PAIRS or row["pair_low"] is None:
        return False
    reaches = row["pair_low"] <= row["shift"] <= row["pair_high"]
    return bool(not reaches and row["pair_low"] <= 0 <= row["pair_high"])


def _rivals(row: Row, overlaps: Iterable[Row]) -> tuple[str, ...]:
    found = []
    if row["twin_attribute"]:
        found.append(
            f"Mixed: {plain(row['twin_attribute'])} {row['twin_level']} stands on the same vans, or nearly; the two "
            "cannot be told apart"
        )
    if _is_denied(row):
        found.append("The vans seen both ways did not move: something else goes with it")
    found += _along(overlaps, row)
    if not row["n_pairs"]:
        found.append("No van was seen both ways, so that the vans themselves may differ")
    return wording.joined((*found, NOT_AT_RANDOM))


def _deciding_pairs(row: Row) -> int:
    """Vans that must be seen both ways, three scans each way, to find a shift of this size 8 times in 10."""
    scan_sd = row.get("scan_sd")
    sd = None if scan_sd is None else scan_sd * (2 / SCANS_EACH_WAY) ** 0.5
    return pairs_needed(row["shift"], sd, least=DECIDING_PAIRS) or DECIDING_PAIRS


def _next_check(row: Row) -> str:
    what, missing = plain(row["attribute"]), _deciding_pairs(row) - row["n_pairs"]
    state = wording.state_name(row["state"])
    if row["twin_attribute"]:
        return (
            f"Change only {what} on two vans, not {plain(row['twin_attribute'])}, and read them three times before and "
            f"after at {state}."
        )
    if missing > 0:
        return (
            f"If it matters: change {what} on {missing} more {'van' if missing == 1 else 'vans'} and read each three "
            f"times before and after at {state} with the same reader; their own change decides."
        )
    return (
        f"None for the comparison: vans are compared as if all stood alike. To find out why, read one van at {state} just "
        f"before and just after {what} is changed."
    )


def _claim(row: Row) -> str:
    key, shift = row["parameter"], row["shift"]
    what = plain(row["attribute"])
    side = "higher" if shift > 0 else "lower"
    small = row["smallest_useful"]
    size = (
        f" In one van a difference below {wording.number(small, key)} would not be worth a look."
        if small is not None and abs(shift) < small
        else ""
    )
    return (
        f"Vans with {what} {row['level_name']} read {wording.number(abs(shift), key)} {side} than vans with {what} "
        f"{row['other_level_name']} in {wording.reading_name(key)}, {wording.state_name(row['state'])} "
        f"({row['n_vans']} against {count_of(row['n_vans_other'], 'van')} in {row['n_cohorts']} groups of like vans; 95 % "
        f"interval {wording.bare(row['shift_low'], key)} to {wording.bare(row['shift_high'], key)}).{_pairs(row)}{size} "
        "It is taken off before vans are compared. An association, not a proven cause."
        if row["effect"]
        else f"Vans with {what} {row['level_name']} seem to read {wording.number(abs(shift), key)} {side} than vans with "
        f"{what} {row['other_level_name']} in {wording.reading_name(key)}, {wording.state_name(row['state'])} "
        f"({row['n_vans']} against {count_of(row['n_vans_other'], 'van')}).{_pairs(row)}{size} Not sure enough to be taken "
        "off before vans are compared. An association, not a proven cause."
    )


def _finding(rows: list[Row], overlaps: Iterable[Row]) -> Finding:
    lead, *others = surest_first(rows)
    return Finding(
        kind="exposure_effect",
        tier=lead["tier"],
        claim=_claim(lead),
        attribute=lead["attribute"],
        level=lead["level_name"],
        parameter=lead["parameter"],
        state=lead["state"],
        also=cells(others, "shift"),
        against="other_level",
        difference=lead["shift"],
        unit=lead["unit"],
        interval_low=lead["shift_low"],
        interval_high=lead["shift_high"],
        score=lead["score"],
        p=lead["p"],
        q=lead["q"],
        n_siblings=lead["n_vans_other"],
        n_vans=lead["n_vans"] + lead["n_vans_other"] + lead["n_pairs"],
        n_scans=lead["n_scans"],
        first_seen=lead["first_seen"],
        last_seen=lead["last_seen"],
        rivals=_rivals(lead, overlaps),
        next_check=_next_check(lead),
        cautions=wording.cautions_of(lead["parameter"], lead["state"]),
    )


def find(rows: Iterable[Row], overlaps: Mapping[tuple[str, str], list[Row]]) -> list[Finding]:
    """Make one finding per exposure level and reading; states of one reading are one matter.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `exposure_effects` with `tier` and smallest_useful.
    overlaps : mapping
        Rows of `exposure_overlaps` by (attribute, level).
    """
    groups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row["attribute"], row["level"], row["parameter"]].append(row)
    return [_finding(group, overlaps.get(key[:2], [])) for key, group in groups.items()]
