"""Opening the raw store as its one writer."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import duckdb

from pipeline.ingest import originals
from pipeline.settings import Home
from pipeline.warehouse import lock, raw

LOCK_WAIT_S = 30.0


@contextmanager
def open_store(home: Home) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the raw store as its one writer; what is not committed is rolled back.

    Raises
    ------
    KinbayError
        Where another load or build holds it for longer than half a minute.
    """
    home.ensure()
    with lock.hold(home.warehouse / ".lock", LOCK_WAIT_S):
        originals.clear_staged(home)
        connection = raw.open_work(home)
        try:
            yield connection
        finally:
            connection.close()
            originals.clear_staged(home)
