"""Findings of kind `van_level`, `van_change` and `van_drift` from the judged cells.

Unsteadiness within scans and steps between states are told as `van_level` too; their channel stands in `also`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline import vocabulary
from pipeline.counted import count_of
from pipeline.findings import drift, movement_words, wording
from pipeline.findings.records import Finding

Row = dict[str, Any]
_KIND = {
    "level": "van_level",
    "change": "van_change",
    "drift": "van_drift",
    "spread": "van_level",
    "step": "van_level",
}


@dataclass(frozen=True)
class Background:
    """What else is known of the vans, to name rivals by.

    Parameters
    ----------
    vans : dict
        Register row by van, with `is_most_driven` and `is_oldest` within the cohort.
    only_readers : dict
        The reader of each (van, parameter) that was read with one reader alone.
    """

    vans: dict[str, Row]
    only_readers: dict[tuple[str, str], str]


def _level_claim(row: Row) -> str:
    key, difference = row["parameter"], row["difference"]
    side = "above" if difference > 0 else "below"
    against = (
        f"the {count_of(row['n_siblings'], 'van')} of all model years"
        if row["is_fallback"]
        else f"its {count_of(row['n_siblings'], 'sibling')}"
    )
    return (
        f"Van {row['van']}: {wording.reading_name(key)}, {wording.state_name(row['state'])}, is "
        f"{wording.number(abs(difference), key)} {side} {against}"
        f" ({wording.bare(row['value'], key)} against {wording.number(row['expected'], key)}; "
        f"siblings run from {wording.bare(row['sibling_low'], key)} to {wording.bare(row['sibling_high'], key)}; "
        f"{count_of(row['n_scans'], 'scan')})."
    )


def _change_claim(row: Row) -> str:
    key, difference = row["parameter"], row["difference"]
    way = "risen" if difference > 0 else "fallen"
    return (
        f"Van {row['van']}: {wording.reading_name(key)}, {wording.state_name(row['state'])}, has {way} by "
        f"{wording.number(abs(difference), key)} against its {count_of(row['n_siblings'], 'sibling')} over the same "
        f"dates ({row['n_scans']} recent scans against {row['n_scans_earlier']} earlier ones)."
    )


def _rivals(row: Row, background: Background) -> tuple[str, ...]:
    """Other explanations still standing, the likeliest to be overlooked first."""
    known = vocabulary.parameter(row["parameter"])
    if row["channel"] in movement_words.CHANNELS:
        found = list(movement_words.rivals(row))
    else:
        found = [known.meaning_high if row["difference"] > 0 else known.meaning_low]
    reader = background.only_readers.get((row["van"], row["parameter"]))
    if reader:
        found.append(f"Read with one reader only ({reader}): its own error is not excluded.")
    van = background.vans.get(row["van"], {})
    if van.get("is_most_driven"):
        found.append(
            f"It is the most driven of its cohort ({van['odometer_km']:,.0f} km): wear with mileage."
        )
    elif van.get("is_oldest"):
        found.append("It is the oldest in service of its cohort: wear with age.")
    if row["is_fallback"]:
        found.append(
            "Too few siblings of its model year: compared over all model years, which may differ by design."
        )
    if row["is_small_group"]:
        found.append(f"Small group: {count_of(row['n_siblings'], 'sibling')} only.")
    if not row["robust"]:
        found.append("A healthy van that simply differs, if healthy siblings vary more widely than usual.")
    if row["channel"] == "change":
        if row.get("reset_by"):
            found.append(f"The work done between the earlier and the recent scans: {row['reset_by']}.")
        found.append("Work, weather or a reader's update at the same time, where siblings did not share it.")
    return wording.joined(tuple(found))


def _strength(row: Row) -> tuple[int, float, float]:
    """Order of evidence."""
    tiers = {"finding": 0, "likely": 1, "watch": 2}
    return tiers[row["tier"]], row["p"], -abs(row["score"])


def _merge_cells(rows: Sequence[Row]) -> tuple[Row, tuple[Row, ...]]:
    """The cell with the strongest evidence leads; the others are the same matter."""
    ordered = sorted(rows, key=_strength)
    return ordered[0], tuple(ordered[1:])


def _claim(row: Row) -> str:
    claims = {"level": _level_claim, "change": _change_claim, "drift": drift.claim}
    return claims.get(row["channel"], movement_words.claim)(row)


def _also(row: Row) -> dict[str, Any]:
    own = {"parameter": row["parameter"], "state": row["state"], "difference": row["difference"]}
    return own | ({"channel": row["channel"]} if row["channel"] in movement_words.CHANNELS else {})


def _finding(lead: Row, others: Sequence[Row], background: Background) -> Finding:
    van = background.vans.get(lead["van"], {})
    is_drift, is_movement = lead["channel"] == "drift", lead["channel"] in movement_words.CHANNELS
    return Finding(
        kind=_KIND[lead["channel"]],
        tier=lead["tier"],
        claim=_claim(lead),
        channel=lead["channel"] if is_movement else None,
        van=lead["van"],
        cohort_id=lead["cohort_id"],
        make=van.get("make"),
        model=van.get("model"),
        engine=van.get("engine"),
        model_year=None if lead["is_fallback"] else van.get("model_year"),
        parameter=lead["parameter"],
        state=lead["state"],
        also=tuple(map(_also, (lead, *others) if is_movement else others)),
        against="siblings",
        **{
            name: lead[name]
            for name in (
                "value",
                "expected",
                "difference",
                "unit",
                "interval_low",
                "interval_high",
                "score",
                "p",
                "q",
                "robust",
                "detectable",
                "n_siblings",
                "n_vans",
                "n_scans",
                "first_seen",
                "last_seen",
            )
        },
        rivals=drift.rivals(lead, van) if is_drift else _rivals(lead, background),
        next_check=movement_words.next_check(lead)
        if is_movement
        else wording.next_check(lead["parameter"], lead["difference"], lead["van"]),
        cautions=wording.cautions_of(lead["parameter"], lead["state"]),
    )


def find(rows: Iterable[Row], background: Background) -> list[Finding]:
    """Make one finding per channel, van and reading out of the cells that stand out; its states are one matter.

    What else is the same matter is joined in `merging`.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `sibling_scores`, and of `van_drifts` with channel drift, with tier finding, likely or watch.
    background : Background
        Register and readers, to name rivals.
    """
    groups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row["channel"], row["van"], row["parameter"]].append(row)
    return [_finding(*_merge_cells(group), background) for group in groups.values()]
