"""Rebuilding: the raw store anew from originals, journal, layouts and settings."""

from __future__ import annotations

import duckdb

from pipeline.errors import KinbayError
from pipeline.ingest import journal, originals
from pipeline.ingest.opening import open_store
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


def rebuild_open(home: Home, connection: duckdb.DuckDBPyConnection) -> int:
    """Do the work of `rebuild_raw` in a store that is open already."""
    withdrawn = journal.read_withdrawals(home)
    layouts = read_layouts(home.layouts)
    alive = [a for a in originals.list_accepted(home) if not withdrawn.covers(a.file_id, a.batch_id)]
    connection.begin()
    raw.recreate(connection)
    for acceptance in alive:
        staged = originals.original_of(home, acceptance)
        source = Source(staged.path, acceptance.file, staged.path, acceptance.folder)
        found = recognise(source, layouts, acceptance.layout, acceptance.van is not None)
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
