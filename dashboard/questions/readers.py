"""Readers: what each can see, how two of them agree, whose limits most vans are outside of."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from dashboard.questions.warehouse import Warehouse


def list_readers(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per reader that has read a shown van, the one with most vans first."""
    return warehouse.ask("list_readers", vans=list(vans))


def list_reader_effects(warehouse: Warehouse) -> pl.DataFrame:
    """One row per reader and reading held against the reference reader, surest first; the whole fleet."""
    return warehouse.ask("list_reader_effects")


def list_reader_meetings(warehouse: Warehouse) -> pl.DataFrame:
    """One row per two readers (in alphabetical order) and reading that read the same van within a day."""
    return warehouse.ask("list_reader_meetings")


def list_reader_pairs(
    warehouse: Warehouse, readers: tuple[str, str], parameter: str, state: str, vans: Sequence[str]
) -> pl.DataFrame:
    """One row per pair of scans of a shown van within a day; `difference` is the first reader less the second."""
    reader, other = readers
    return warehouse.ask(
        "list_reader_pairs",
        reader=reader,
        other_reader=other,
        parameter=parameter,
        state=state,
        vans=list(vans),
    )


def list_reader_updates(warehouse: Warehouse) -> pl.DataFrame:
    """One row per reader's software update and reading, what is shown first; the whole fleet."""
    return warehouse.ask("list_reader_updates")


def list_reader_parameters(warehouse: Warehouse) -> pl.DataFrame:
    """One row per parameter that any reader has shown and reader: scans that showed it."""
    return warehouse.ask("list_reader_parameters")


def list_reader_modules(warehouse: Warehouse, reader: str, vans: Sequence[str]) -> pl.DataFrame:
    """One row per shown van and control unit with one reader."""
    return warehouse.ask("list_reader_modules", reader=reader, vans=list(vans))


def list_suspect_limits(warehouse: Warehouse, vans: Sequence[str]) -> pl.DataFrame:
    """One row per limit of a reader that more than 70 % of a group with a shown van stand outside of."""
    return warehouse.ask("list_suspect_limits", vans=list(vans))
