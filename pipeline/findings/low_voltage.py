"""Findings of kind `low_voltage_cluster`: codes of one scan that are first a battery question."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from pipeline.counted import count_of
from pipeline.findings import code_words, wording
from pipeline.findings.records import Finding
from pipeline.vocabulary import low_voltage

Row = dict[str, Any]
_COHORT = ("cohort_id", "make", "model", "engine", "model_year")
_WORK = {
    "jump_started": "it had been jump started",
    "reader_left_plugged": "a reader had been left plugged in",
    "replaced": "the battery had been replaced",
}


def grade(row: Row) -> str:
    """Return the tier: the verdict's, one lower where the codes are no cluster, and to watch once they are gone."""
    if row["verdict"] == "not_supported":
        return "none"
    if row["is_over"] or not row["is_cluster"]:
        return "watch"
    return "finding" if row["verdict"] == "likely" else "likely"


def _say_facts(row: Row) -> str:
    """What is known around the scan, in the order in which it would be asked."""
    facts = []
    if row["standing_days"]:
        facts.append(f"it had stood {row['standing_days']:g} days")
    if row["work_before"]:
        facts.append(_WORK.get(row["work_before"], row["work_before"].replace("_", " ")))
    if row["rest_v"] is not None:
        facts.append(f"{row['rest_v']:.2f} V at rest")
    if row["cranking_v"] is not None:
        facts.append(
            f"{row['cranking_v']:.1f} V while cranking, against a floor of {row['cranking_floor_v']:.1f} V"
        )
    if row["freeze_v"] is not None:
        facts.append(f"{row['freeze_v']:.1f} V in a freeze frame")
    return "; ".join(facts) or "no voltage and no standing time is known"


def _say_evidence(row: Row, rules: list[Row]) -> str:
    """How strong the evidence is, and what speaks against it."""
    bars = dict((verdict, points) for verdict, points, _ in low_voltage.verdict_rows())
    against = [r["says"] for r in rules if r["points"] < 0]
    but = f"; against it: {'; '.join(against)}" if against else ""
    signs = sum(r["points"] > 0 for r in rules)
    return f"{signs} signs of it, {row['points']} points where {bars['likely']} make it likely{but}"


def _claim(row: Row, codes: list[Row], rules: list[Row]) -> str:
    names = code_words.say_counted([code_words.short_name(c["code"], c["module"]) for c in codes], 4)
    n, modules = len(codes), len({c["module"] for c in codes})
    what = f"{count_of(n, 'code')} in {count_of(modules, 'module')}" if n > 1 else "one code"
    sure = {"likely": "look like low supply voltage", "possible": "may come from low supply voltage"}[
        row["verdict"]
    ]
    verb = sure if n > 1 else sure.replace("look ", "looks ")
    rather = f" rather than {n} faults" if n > 1 else ""
    over = " They have not been there since." if row["is_over"] and n > 1 else ""
    return (
        f"Van {row['van']}, scan of {row['scanned_at']:%d %b %Y}: {what}, {names}, {verb}{rather}: {_say_facts(row)} "
        f"({_say_evidence(row, rules)}).{over}"
    )


def _finding(row: Row, tier: str, codes: list[Row], rules: list[Row]) -> Finding:
    return Finding(
        kind="low_voltage_cluster",
        tier=tier,
        claim=_claim(row, codes, rules),
        van=row["van"],
        scan_id=row["scan_id"],
        reader=row["reader"],
        **{name: row[name] for name in _COHORT},
        also=tuple(
            {
                "parameter": None,
                "state": None,
                "difference": None,
                "van": row["van"],
                "module": c["module"],
                "code": c["code"],
            }
            for c in codes
        ),
        value=row["rest_v"],
        unit="V" if row["rest_v"] is not None else None,
        score=float(row["points"]),
        n_vans=1,
        n_scans=1,
        first_seen=row["scanned_at"],
        last_seen=row["scanned_at"],
        rivals=wording.joined(
            (
                "The charging system or a discharge at rest behind the weak battery",
                "A fault of the network or of one module that happened on the same day",
                f"{low_voltage.rules()['warning']}",
            )
        ),
        next_check=code_words.battery_first(),
        cautions=code_words.cautions_of([("", "P0562"), *((c["module"] or "", c["code"]) for c in codes)]),
    )


def find(rows: Iterable[Row], codes: Iterable[Row], evidence: Iterable[Row]) -> list[Finding]:
    """Make one finding per scan whose codes low supply voltage may explain.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `low_voltage_scans` of the last year, with the van's cohort.
    codes : iterable of dict
        Rows of `low_voltage_codes`.
    evidence : iterable of dict
        Rows of `low_voltage_evidence`.
    """
    of_scan: dict[str, list[Row]] = defaultdict(list)
    for code in codes:
        of_scan[code["scan_key"]].append(code)
    rules: dict[str, list[Row]] = defaultdict(list)
    for held in evidence:
        rules[held["scan_key"]].append(held)
    found = []
    for row in rows:
        tier = grade(row)
        if tier != "none":
            found.append(_finding(row, tier, of_scan[row["scan_key"]], rules[row["scan_key"]]))
    return found
