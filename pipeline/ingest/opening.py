"""Opening the raw store as its one writer."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import duckdb

from pipeline.ingest import originals
from pipeline.settings import Home
from pipeline.warehouse import raw

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
    with raw.hold_work(home, LOCK_WAIT_S) as connection:
        originals.clear_staged(home)
        try:
            yield connection
        finally:
            originals.clear_staged(home)
