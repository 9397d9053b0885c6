"""Rebuilding: the raw store anew from originals, journal, layouts and settings."""

from __future__ import annotations

import duckdb

from pipeline.errors import KinbayError
from pipeline.ingest import entries, journal, originals
from pipeline.ingest.opening import open_store
from pipeline.ingest.originals import Acceptance
from pipeline.ingest.taking import take
from pipeline.read import Source, read_layouts, recognise
from pipeline.settings import Home
from pipeline.warehouse import raw


def rebuild_raw(home: Home) -> int:
    """Read every original that was not withdrawn once more into an empty raw store.

    Returns
    -------
    int
        The number of files read.

    Raises
    ------
    KinbayError
        Where an original or layout is missing or changed; the store is then left as it was.
    """
    with open_store(home) as connection:
        return rebuild_open(home, connection)


def list_alive(home: Home) -> list[Acceptance]:
    """Return what was taken in and neither withdrawn, replaced nor taken back since, in order."""
    withdrawn, dead = journal.read_withdrawals(home), entries.dead_entries(home)
    return [
        a
        for a in originals.list_accepted(home)
        if not withdrawn.covers(a.file_id, a.batch_id)
        and not (a.is_entry and a.file.removeprefix(entries.FOLDER) in dead)
    ]


def bring_back(home: Home, connection: duckdb.DuckDBPyConnection) -> None:
    """Read everything again where the store is new, or holds an entry that was replaced or taken back."""
    stored = {row[0] for row in connection.execute("select distinct file_id from raw.files").fetchall()}
    alive = {a.file_id for a in list_alive(home)}
    gone = {a.file_id for a in originals.list_accepted(home) if a.is_entry} - alive
    if (alive and not stored) or (gone & stored):
        rebuild_open(home, connection)


def rebuild_open(home: Home, connection: duckdb.DuckDBPyConnection) -> int:
    """Do the work of `rebuild_raw` in a store that is open already."""
    layouts = read_layouts(home.layouts)
    alive = list_alive(home)
    connection.begin()
    raw.recreate(connection)
    for acceptance in alive:
        staged = originals.original_of(home, acceptance)
        source = Source(staged.path, acceptance.file, staged.path, acceptance.folder)
        found = (
            entries.recognise_entry(staged.path)
            if acceptance.is_entry
            else recognise(source, layouts, acceptance.layout, acceptance.van is not None)
        )
        taken = take(connection, found, staged, acceptance, home.settings.time_zone, lambda _size: None)
        if taken.fault is not None:
            raise taken.fault
        if taken.questions:
            asked = taken.questions[0].asks
            raise KinbayError(
                "An original asks a question again", f"{acceptance.file}: {asked}", "Withdraw it first."
            )
    connection.commit()
    return len(alive)
