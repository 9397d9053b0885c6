"""Evidence on readers: those that always read otherwise, those that do since an update, those that never met."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from pipeline.build import unmet_readers
from pipeline.build.cause_evidence import grade, with_scatter
from pipeline.build.codes import as_frame
from pipeline.findings import readers
from pipeline.findings import unmet_readers as unmet
from pipeline.findings.records import Finding
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

Row = dict[str, Any]
PARENTS = (
    "computed.reader_effects", "computed.reader_updates", "int_reader_links", "int_numbered_scans", "int_cells",
    "van_levels", "vocab.parameters", *unmet_readers.PARENTS,
)  # fmt: skip
_BIASES = """
select r.*, p.unit, p.smallest_useful
from computed.reader_effects as r
inner join vocab.parameters as p on r.parameter = p.parameter
where r.q is not null
order by r.parameter, r.state, r.reader
"""
_SCANS = """
select c.parameter, c.state, f.reader, cast(sum(a.n_scans) as bigint) as n_scans,
    min(f.scanned_at) as first_seen, max(l.scanned_at) as last_seen
from int_reader_links as a
inner join int_cells as c on a.cell_no = c.cell_no
inner join int_numbered_scans as f on a.first_no = f.scan_no
inner join int_numbered_scans as l on a.last_no = l.scan_no
group by c.parameter, c.state, f.reader
"""
_UPDATES = """
select u.*, p.smallest_useful
from computed.reader_updates as u
inner join vocab.parameters as p on u.parameter = p.parameter
where u.is_shown
order by u.reader, u.since, u.parameter, u.state
"""
_NO_SCANS: Row = {"n_scans": None, "first_seen": None, "last_seen": None}
LIKE_ANOTHER = (
    0.5  # two readers' offsets are alike where they differ by less than so much of the smaller; a choice
)


def _odd_one(rows: list[Row]) -> Row | None:
    """The reference as a row of its own, where all other readers differ from it and agree with each other."""
    shifts = [r["estimate"] for r in rows]
    if len(rows) < 2 or any(not r["effect"] for r in rows) or min(shifts) < 0 < max(shifts):
        return None
    if max(shifts) - min(shifts) > LIKE_ANOTHER * min(map(abs, shifts)):
        return None
    nearest = min(rows, key=lambda r: (r["high"] - r["low"], r["reader"]))
    return {
        **nearest,
        "reader": nearest["reference"],
        "reference": nearest["reader"],
        "estimate": -nearest["estimate"],
        "low": -nearest["high"],
        "high": -nearest["low"],
        "is_reference": True,
        "agreeing": [r["reader"] for r in rows if r is not nearest],
    }


def _read_biases(engine: Engine, settings: Settings) -> list[Row]:
    """Reader against reader; where it is the reference that stands apart, that one."""
    cells: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in as_frame(engine.arrow(_BIASES)).to_dicts():
        cells[row["parameter"], row["state"], row["reference"]].append(row)
    found = []
    for group in cells.values():
        odd = _odd_one(group)
        told = (
            [odd] if odd else [{**r, "is_reference": False, "agreeing": _agreeing(r, group)} for r in group]
        )
        graded = [{**r, "tier": grade(r["q"], r["estimate"], r["smallest_useful"], settings)} for r in told]
        found += [r for r in graded if r["tier"] in ("finding", "likely", "watch")]
    if not found:
        return []
    scans = {(r["parameter"], r["state"], r["reader"]): r for r in as_frame(engine.arrow(_SCANS)).to_dicts()}
    told = [{**r, **scans.get((r["parameter"], r["state"], r["reader"]), _NO_SCANS)} for r in found]
    return with_scatter(engine, told)


def _agreeing(row: Row, group: list[Row]) -> list[str]:
    """Other readers whose offset from the reference is surely smaller than half of this one's."""
    reach = LIKE_ANOTHER * abs(row["estimate"])
    return [
        r["reader"]
        for r in group
        if r is not row and not r["effect"] and -reach < r["low"] and r["high"] < reach
    ]


def _read_updates(engine: Engine, settings: Settings) -> list[Row]:
    """Steps that are shown, and so taken off before readers and vans are compared; others stand on the page alone."""
    rows = as_frame(engine.arrow(_UPDATES)).to_dicts()
    graded = [(r, grade(r["q"], r["step"], r["smallest_useful"], settings)) for r in rows]
    return [{**r, "tier": "watch" if tier == "none" else tier} for r, tier in graded]


def explain(biases: Iterable[Row], updates: list[Row]) -> tuple[list[Row], list[Row]]:
    """Let an update that is shown account for a constant bias of the same reading: one cause before the next.

    In a state where an update could not be judged its step is still in the scans, and looks like a bias of that reader,
    or of the one held against it, all along.

    Returns
    -------
    The biases still standing, and the updates, each with the biases it accounts for (`explained`).
    """
    shown = [{**u, "explained": []} for u in updates]
    taken_off = {(u["reader"], u["parameter"], u["state"]) for u in shown}
    standing = []
    for bias in biases:
        own, other = bias["reader"], bias["reference"]
        by_update = next(
            (u for u in shown if u["reader"] in (own, other) and _accounts(u, bias, taken_off)), None
        )
        if by_update is None:
            standing.append(bias)
        else:
            way = 1 if by_update["reader"] == own else -1
            by_update["explained"].append({**bias, "step": way * bias["estimate"]})
    return standing, shown


def _accounts(update: Row, bias: Row, taken_off: set[tuple[str, str, str]]) -> bool:
    """Whether a bias of the same reading, in a state where the update's step is still in, lies the way it moved it."""
    if update["parameter"] != bias["parameter"]:
        return False
    if (update["reader"], update["parameter"], bias["state"]) in taken_off:
        return False
    way = 1 if update["reader"] == bias["reader"] else -1
    return bool(way * bias["estimate"] * update["step"] > 0)


def collect(engine: Engine, settings: Settings) -> list[Finding]:
    """Return readers that read otherwise, and readers that cannot be compared."""
    biases, updates = explain(_read_biases(engine, settings), _read_updates(engine, settings))
    apart = [r for r in unmet_readers.read_unmet(engine) if r["vans"] or r["n_shared"] < unmet.SHARED_VANS]
    return [*readers.find(biases, updates), *unmet.find(apart)]
