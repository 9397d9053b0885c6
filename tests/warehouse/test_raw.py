"""The raw store and the work file."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.warehouse import raw


def test_making_it_twice_changes_nothing() -> None:
    connection = duckdb.connect()
    raw.create(connection)
    generation = connection.execute("from raw.store").fetchall()
    connection.execute("insert into raw.notes (van) values ('041')")
    raw.create(connection)
    assert connection.execute("from raw.store").fetchall() == generation
    assert connection.execute("select van from raw.notes").fetchall() == [("041",)]
    assert len(generation) == 1


def test_making_it_anew_begins_a_generation() -> None:
    connection = duckdb.connect()
    raw.create(connection)
    generation = connection.execute("from raw.store").fetchall()
    connection.execute("insert into raw.notes (van) values ('041')")
    raw.recreate(connection)
    assert connection.execute("from raw.store").fetchall() != generation
    assert connection.execute("select van from raw.notes").fetchall() == []


def test_batches_are_numbered_upwards() -> None:
    connection = duckdb.connect()
    raw.create(connection)
    assert raw.next_batch(connection) == 1
    connection.execute("insert into raw.files (batch_id) values (4), (2)")
    assert raw.next_batch(connection) == 5


def test_the_work_file_keeps_its_rows_and_its_memory_is_bounded(tmp_path: Path) -> None:
    home = Home(tmp_path / "home")
    with raw.open_work(home) as connection:
        connection.execute("insert into raw.notes (van) values ('041')")
        limit = connection.execute("select current_setting('memory_limit')").fetchall()[0][0]
        folder = connection.execute("select current_setting('temp_directory')").fetchall()[0][0]
        with duckdb.connect() as unbounded:
            default = unbounded.execute("select current_setting('memory_limit')").fetchall()[0][0]
    assert limit != default
    assert Path(folder).parent == home.warehouse
    with raw.open_work(home) as connection:
        assert connection.execute("select van from raw.notes").fetchall() == [("041",)]


def test_the_log_of_a_deleted_work_file_does_not_keep_a_new_one_from_opening(tmp_path: Path) -> None:
    home = Home(tmp_path / "home")
    with raw.open_work(home) as connection:
        connection.execute("pragma disable_checkpoint_on_shutdown")
        connection.execute("insert into raw.notes (van) values ('041')")
    log = home.work_db.with_name("work.duckdb.wal")
    assert log.stat().st_size > 0
    home.work_db.unlink()
    with raw.open_work(home) as connection:
        assert connection.execute("select count(*) from raw.notes").fetchall() == [(0,)]


def test_a_damaged_work_file_is_told_with_what_to_do(tmp_path: Path) -> None:
    home = Home(tmp_path / "home").ensure()
    home.work_db.write_bytes(b"not a database" * 1000)
    with pytest.raises(KinbayError, match="delete it: it is rebuilt from originals"):
        raw.open_work(home)
