"""Evidence on vans that drift away from their siblings."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from pipeline.build.codes import as_frame
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

PARENTS = (
    "van_drifts", "reader_updates", "int_sibling_months", "int_compared_scans", "int_followed_epochs",
    "int_numbered_scans", "int_numbered_vans", "int_cells", "stg_work", "vocab.parameters",
)  # fmt: skip
_DRIFTS = """
select *, 'drift' as channel
from van_drifts
where tier in ('finding', 'likely', 'watch')
order by van, parameter, state
"""
_READERS = """
select distinct d.van, d.parameter, d.state, s.reader
from van_drifts as d
inner join int_numbered_vans as v on d.van = v.van
inner join int_cells as c on d.parameter = c.parameter and d.state = c.state
inner join int_compared_scans as w on v.van_no = w.van_no and c.cell_no = w.cell_no
inner join int_followed_epochs as e on w.van_no = e.van_no and w.cell_no = e.cell_no and w.epoch = e.epoch
inner join int_numbered_scans as s on w.scan_no = s.scan_no
inner join int_sibling_months as m on w.van_no = m.van_no and w.cell_no = m.cell_no and s.scan_month = m.scan_month
where d.tier in ('finding', 'likely', 'watch') and w.is_linked and e.is_last
order by d.van, d.parameter, d.state, s.reader
"""
_WORK = """
select w.van, w.at, concat(w.what, ' ', w.part) as done
from stg_work as w
where w.van is not null and w.at is not null and w.what is not null and w.part is not null
order by w.van, w.at, w.what, w.part
"""
_UPDATES = "select * from reader_updates order by reader, since, parameter, state"


def read_drifts(engine: Engine, settings: Settings) -> list[dict[str, Any]]:
    """Return drifting cells as rows for the findings, with the work and the updates that may explain them."""
    rows = as_frame(engine.arrow(_DRIFTS)).to_dicts()
    if not rows:
        return []
    work = as_frame(engine.arrow(_WORK)).to_dicts()
    drifting = {(row["parameter"], row["state"]) for row in rows}
    updates = [
        u for u in as_frame(engine.arrow(_UPDATES)).to_dicts() if (u["parameter"], u["state"]) in drifting
    ]
    readers: dict[tuple[str, str, str], set[str]] = defaultdict(set)
    for van, parameter, state, reader in as_frame(engine.arrow(_READERS)).iter_rows() if updates else ():
        readers[van, parameter, state].add(reader)
    small = settings.evidence.small_group_siblings
    return [row | _background(row, work, updates, readers) | _shape(row, small) for row in rows]


def _background(
    row: dict[str, Any],
    work: list[dict[str, Any]],
    updates: list[dict[str, Any]],
    readers: dict[tuple[str, str, str], set[str]],
) -> dict[str, Any]:
    """Work on the van, and updates of its readers, while it was followed."""
    cell = (row["van"], row["parameter"], row["state"])

    def is_within(at: Any) -> bool:
        return bool(row["first_seen"] <= at <= row["last_seen"])

    return {
        "work": [w for w in work if w["van"] == row["van"] and is_within(w["at"])],
        "updates": [
            u | {"is_told": u["reason"] is None}
            for u in updates
            if (u["parameter"], u["state"]) == cell[1:]
            and u["reader"] in readers[cell]
            and is_within(u["since"])
        ],
    }


def _shape(row: dict[str, Any], small_group: int) -> dict[str, Any]:
    """What the van's other channels carry and a drift does not; of a step its size, of a drift what it comes to."""
    is_step = row["is_step"]
    end = row["step_end"] if is_step else row["end_value"]
    start = end - row["step_size"] if is_step else row["start_value"]
    moved = (
        ("step_size", "step_low", "step_high") if is_step else ("difference", "interval_low", "interval_high")
    )
    return {
        "value": row["sibling_median"] + end,
        "expected": row["sibling_median"] + start,
        **dict(
            zip(("difference", "interval_low", "interval_high"), (row[name] for name in moved), strict=True)
        ),
        "is_small_group": row["n_siblings"] <= small_group,
        "robust": None,
        "n_vans": row["n_siblings"] + 1,
    }
