"""Findings of kind `record_conflict`: records of one van that cannot both be right."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.findings.records import Finding

Row = dict[str, Any]


def _day(row: Row) -> str:
    return f"{row['at']:%d %b %Y}" if row["at"] else "an unknown date"


def _say_odometers(row: Row, *, is_back: bool) -> str:
    """Both figures in the order in which they were read: the scan at odds is the earlier one as often as not."""
    value, other = (f"{row[key]:,.0f} km" for key in ("value", "other_value"))
    is_later = (row["value"] < row["other_value"]) == is_back
    return (
        f"{other} before, then {value} on {_day(row)}"
        if is_later
        else f"{value} on {_day(row)}, then {other}"
    )


def _odometer(van: str, rows: list[Row]) -> Finding:
    worst = max(rows, key=lambda r: abs((r["other_value"] or 0) - (r["value"] or 0)))
    back = [r for r in rows if r["conflict_kind"] == "odometer_back"]
    way = "goes back" if back else "jumps further than a van can drive"
    more = f", and {len(rows) - 1} more" if len(rows) > 1 else ""
    return Finding(
        kind="record_conflict",
        tier="finding",
        claim=f"Van {van}: the odometer {way}: {_say_odometers(worst, is_back=bool(back))}{more}.",
        van=van,
        parameter="odometer",
        against="own_past",
        value=worst["value"],
        expected=worst["other_value"],
        difference=worst["value"] - worst["other_value"],
        unit="km",
        n_vans=1,
        n_scans=len(rows) + 1,
        first_seen=min(r["at"] for r in rows),
        last_seen=max(r["at"] for r in rows),
        rivals=(
            "A typing error, or miles entered as kilometres.",
            "A scan saved under the wrong van.",
            "A replaced instrument cluster that nobody wrote down.",
        ),
        next_check=f"Read the odometer of van {van} at the van; correct the scan, or enter the cluster's change as work.",
        cautions=(),
    )


def _values(van: str, parameter: str, rows: list[Row]) -> Finding:
    first = rows[0]
    return Finding(
        kind="record_conflict",
        tier="finding",
        claim=(
            f"Van {van}: {wording.reading_name(parameter)} stands in two files with different values for the same "
            f"instant ({wording.bare(first['value'], parameter)} and {wording.number(first['other_value'], parameter)} "
            f"on {_day(first)}; {count_of(len(rows), 'instant')}). Neither is used until it is settled."
        ),
        van=van,
        parameter=parameter,
        state=first["state"],
        against="other_reader",
        value=first["value"],
        expected=first["other_value"],
        difference=first["value"] - first["other_value"],
        unit=first["unit"],
        n_vans=1,
        n_scans=len({r["scan_key"] for r in rows}),
        first_seen=min(r["at"] for r in rows),
        last_seen=max(r["at"] for r in rows),
        rivals=("One file was edited by hand.", "Two exports of one scan in different units."),
        next_check="Compare both files with the reader's screen; withdraw the wrong file with kinbay withdraw.",
    )


def _declared(van: str, rows: list[Row]) -> Finding:
    dates = [r["at"] for r in rows if r["at"]]
    return Finding(
        kind="record_conflict",
        tier="watch",
        claim=(
            f"Van {van}: in {len({r['scan_key'] for r in rows})} scans the operating state given by hand does not fit "
            f"the readings; the state given by hand is used. {rows[0]['detail']}"
        ),
        van=van,
        attribute="state",
        state=rows[0]["state"],
        n_vans=1,
        n_scans=len({r["scan_key"] for r in rows}),
        first_seen=min(dates, default=None),
        last_seen=max(dates, default=None),
        rivals=(
            "The state was chosen before the engine reached it",
            "A sensor that the state is read from is wrong",
        ),
        next_check=f"Read van {van} again and wait until coolant and engine speed have settled before saving.",
    )


def _others(kind: str, van: str, rows: list[Row]) -> Finding:
    if kind == "state_declared":
        return _declared(van, rows)
    what = {
        "vin_shared": "carries the same VIN as another van",
        "scan_values": "has one scan stored twice with different details",
    }.get(kind, "has records that contradict each other")
    dates = [r["at"] for r in rows if r["at"]]
    return Finding(
        kind="record_conflict",
        tier="finding",
        claim=f"Van {van} {what}: {rows[0]['detail']}.",
        van=van,
        attribute={"vin_shared": "vin", "scan_values": "scan"}.get(kind, kind),
        n_vans=1,
        n_scans=len(rows),
        first_seen=min(dates, default=None),
        last_seen=max(dates, default=None),
        rivals=("A typing error in the register.", "One van entered under two names."),
        next_check="Look at the plate under the windscreen and correct the register or the scan.",
    )


def find(rows: Iterable[Row]) -> list[Finding]:
    """Make one finding per van and contradiction out of the rows of `record_conflicts`."""
    groups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        kind = "odometer" if row["conflict_kind"].startswith("odometer") else row["conflict_kind"]
        groups[kind, row["van"], row["parameter"] or ""].append(row)
    found = []
    for (kind, van, parameter), group in groups.items():
        if kind == "odometer":
            found.append(_odometer(van, group))
        elif kind == "reading_values":
            found.append(_values(van, parameter, group))
        else:
            found.append(_others(kind, van, group))
    return found
