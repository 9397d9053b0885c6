"""Carries what earlier builds found from the last published file into the next one.

History lives in the published files alone: each new file takes over that of the file before it and adds that
file's own findings. Where the last file is gone, history begins anew; nothing else depends on it.
"""

from __future__ import annotations

import contextlib
import json
from pathlib import Path

import duckdb

from pipeline.warehouse.published import NAME, POINTER

BUILDS_KEPT = 60
_TAKE_OVER = """
insert into published.finding_history by name
with kept as (
    select build_id
    from before.finding_history
    group by build_id
    order by max(built_at) desc
    limit $1
)
select * from before.finding_history where build_id in (select build_id from kept)
"""
_ADD = """
insert into published.finding_history by name
select
    builds.build_id, builds.built_at, builds.data_to,
    findings.finding_id, findings.kind, findings.tier, findings.van, findings.value, findings.difference,
    findings.unit, findings.interval_low, findings.interval_high, findings.n_scans, findings.last_seen,
    findings.claim
from before.builds
left join before.findings on true
"""


def carry_over(connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Fill `published.finding_history`, empty so far, from the file the pointer names; without one leave it empty."""
    last = _pointed(folder)
    if last is None:
        return
    path = str(last).replace("'", "''")
    with contextlib.suppress(duckdb.Error):  # an older file without these tables has nothing to carry over
        connection.execute(f"attach '{path}' as before (read_only)")
    try:
        with contextlib.suppress(duckdb.Error):
            connection.execute(_TAKE_OVER, [BUILDS_KEPT - 1])
        with contextlib.suppress(duckdb.Error):
            connection.execute(_ADD)
    finally:
        connection.execute("detach database if exists before")


def _pointed(folder: Path) -> Path | None:
    """The file that is published now, or None."""
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        name = str(json.loads((folder / POINTER).read_text("utf-8"))["file"])
        if NAME.fullmatch(name) and (folder / name).is_file():
            return folder / name
    return None
