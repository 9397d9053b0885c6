"""Findings of kind `reader_bias` about readers that cannot be told from the vans that they alone have read."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from pipeline.compare.power import pairs_needed
from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.findings.records import Finding, Row, cells

SHARED_VANS = 4  # vans two readers must share before one is held against the other (compare.effects_months)
MOST_NAMED = 3  # vans named in a sentence


def _which(vans: list[str]) -> str:
    if len(vans) <= MOST_NAMED:
        return f"van {wording.listed(vans)}" if len(vans) == 1 else f"vans {wording.listed(vans)}"
    return f"vans {', '.join(vans[:MOST_NAMED])} and {len(vans) - MOST_NAMED} more"


def _among_themselves(lead: Row) -> str:
    """What can be said of vans whose siblings are read by the same reader, and of siblings that are not."""
    own, others = _which(lead["own_vans"]), lead["other_vans"]
    whose = "most of their siblings" if others else "their siblings"
    left = (
        f" Compared with nobody for now, as only other readers have read them: {_which(others)}."
        if others
        else ""
    )
    return (
        f"{own[0].upper()}{own[1:]} and {whose} are read by it, so they are compared with one another as ever; against "
        f"vans read by others they cannot be.{left}"
    )


def _unmet_claim(lead: Row, names: list[str]) -> str:
    key, vans = lead["parameter"], lead["vans"]
    what = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more readings"
    met = (
        "never read a van that another reader has read"
        if not lead["n_shared"]
        else f"shares only {count_of(lead['n_shared'], 'van')} with the other readers"
        if lead["n_shared"] < SHARED_VANS
        else "shares too few vans with the other readers there"
    )
    if not vans and lead["own_vans"]:
        return (
            f"{lead['reader']} {met} ({what}): how far off it reads is not known. {_among_themselves(lead)}"
        )
    if not vans:
        return f"{lead['reader']} {met} ({what}): how far off it reads is not known, and its scans are left aside."
    apart = ""
    if lead["difference"] is not None:
        side = "above" if lead["difference"] > 0 else "below"
        apart = (
            f" Van {vans[0]} reads {wording.number(abs(lead['difference']), key)} {side} its siblings at "
            f"{wording.state_name(lead['state'])}: the van or the reader."
        )
    only = "is read" if len(vans) == 1 else "are read"
    return (
        f"{_which(vans)[0].upper()}{_which(vans)[1:]} {only} by {lead['reader']} alone in {what}, and {lead['reader']} "
        f"{met}: what is the reader and what is the van cannot be told.{apart}"
    )


def _vans_to_share(lead: Row) -> int:
    """Vans to read with both readers, once each, to find a bias of the smallest useful size 8 times in 10."""
    scan_sd = lead.get("scan_sd")
    sd = None if scan_sd is None else scan_sd * 2**0.5
    return pairs_needed(lead.get("smallest_useful"), sd, least=SHARED_VANS) or SHARED_VANS


def _unmet_check(lead: Row) -> str:
    """The cheapest scans that would decide: on which van, with which reader, in which state, how many."""
    other = lead["other_reader"] or "a second reader"
    state = wording.state_name(lead["state"])
    missing = max(_vans_to_share(lead) - lead["n_shared"], 1)
    vans = "van" if missing == 1 else "vans"
    if lead["vans"]:
        van, reader = lead["vans"][0], other
    elif lead["other_vans"]:
        van, reader = lead["other_vans"][0], lead["reader"]
    else:
        more = "more " if lead["n_shared"] else ""
        return f"Read {missing} {more}{vans} with both {lead['reader']} and {other} at {state}, once each."
    return (
        f"Scan again with {reader}: van {van}, twice, at {state}; then it can be held against its siblings. "
        f"To judge {lead['reader']} itself, read {missing} {vans} with both readers at {state}, once each."
    )


def _unmet(rows: list[Row]) -> Finding:
    lead, *others = sorted(rows, key=lambda r: (-r["size"], -len(r["vans"]), r["parameter"], r["state"]))
    vans = list(dict.fromkeys(v for r in (lead, *others) for v in r["vans"]))
    names = list(dict.fromkeys(wording.reading_name(r["parameter"]) for r in (lead, *others)))
    return Finding(
        kind="reader_bias",
        tier="not_enough_evidence",
        claim=_unmet_claim({**lead, "vans": vans if len(others) else lead["vans"]}, names),
        van=vans[0] if len(vans) == 1 else None,
        reader=lead["reader"],
        parameter=lead["parameter"],
        state=lead["state"],
        also=cells(others),
        against="other_reader",
        value=lead["value"],
        expected=lead["expected"],
        difference=lead["difference"],
        unit=lead["unit"],
        n_siblings=lead["n_siblings"],
        n_vans=len(vans) or len({v for r in rows for v in r["read_vans"]}),
        n_scans=lead["n_scans"],
        first_seen=min(r["first_seen"] for r in rows),
        last_seen=max(r["last_seen"] for r in rows),
        rivals=("The reader reads otherwise than the others", "The vans read by it alone differ"),
        next_check=_unmet_check({**lead, "vans": vans if len(others) else lead["vans"]}),
        cautions=wording.cautions_of(lead["parameter"], lead["state"]),
    )


def find(rows: Iterable[Row]) -> list[Finding]:
    """Make one finding per reader that cannot be compared.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `build.unmet_readers.read_unmet`.
    """
    by_reader: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_reader[row["reader"]].append(row)
    return [_unmet(rows) for rows in by_reader.values()]
