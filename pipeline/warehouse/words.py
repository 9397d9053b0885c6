"""Copies the vocabulary and the fleet's settings into the work file as schema `vocab`."""

from __future__ import annotations

import duckdb

from pipeline.settings import Settings
from pipeline.warehouse.engines import transaction
from pipeline.warehouse.prints import package_print


def write(connection: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Replace the tables of schema `vocab` with the present vocabulary and settings, unless they hold them already.

    Raises
    ------
    KinbayError
        Where a setting names a reading that does not exist.
    """
    connection.execute("create schema if not exists vocab")
    connection.execute("create table if not exists vocab.made_from (print varchar)")
    made_from = package_print("pipeline.vocabulary", "pipeline.warehouse", also=settings.model_dump_json())
    if connection.execute("from vocab.made_from").fetchall() == [(made_from,)]:
        return
    from pipeline.warehouse.word_tables import all_tables  # few builds find it changed, and it takes long

    made = all_tables(settings)
    with transaction(connection):
        for name, table in made.items():
            connection.register("incoming_words", table)
            connection.execute(f"create or replace table vocab.{name} as from incoming_words")
            connection.unregister("incoming_words")
        connection.execute("delete from vocab.made_from")
        connection.execute("insert into vocab.made_from values ($1)", [made_from])
