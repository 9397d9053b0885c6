"""What the forms offer to choose from: vans, readers and modules of the newest build, readings asked for by reader."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from dashboard.questions import fleet, records
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import NothingBuiltError, open_warehouse
from pipeline import vocabulary
from pipeline.journal import read_entries
from pipeline.settings import Home

FIRST_READINGS = ("supply_voltage", "coolant_temp", "engine_speed", "air_mass_flow", "rail_pressure")
MOST_FIRST = 6


@dataclass(frozen=True)
class Choices:
    """What the published build offers to choose from; empty before the first build.

    Parameters
    ----------
    vans, readers, modules : sequence of str
        Names, the most used first.
    usual : polars.DataFrame
        `reader`, `parameter`, `state`: what each reader was seen to give, the most read first.
    """

    vans: Sequence[str] = ()
    readers: Sequence[str] = ()
    modules: Sequence[str] = ()
    usual: pl.DataFrame | None = None


def enterable() -> dict[str, str]:
    """Return the readings that a reader can show, by key, with unit; those worked out by the project are not."""
    return {
        p.key: f"{p.name}, {p.unit}" if p.unit != "1" else p.name
        for p in vocabulary.parameters()
        if p.aliases
    }


def readings_of(home: Home, reader: str | None, usual: pl.DataFrame | None) -> list[str]:
    """Return the readings asked for: the lead's list for the reader, else what it was seen to give."""
    if reader is None:
        return list(FIRST_READINGS)
    chosen = [e for e in read_entries(home, "reader_list") if e.get("reader") == reader]
    if chosen:
        return [k for k in chosen[-1].get("readings", ()) if k in enterable()]
    seen = [] if usual is None else usual.filter(pl.col("reader") == reader)["parameter"].to_list()
    return [k for k in seen if k in enterable()][:MOST_FIRST] or list(FIRST_READINGS)


def offered(home: Home) -> Choices:
    """Return what the newest build offers to choose from; nothing before the first one."""
    try:
        warehouse = open_warehouse(home)
    except NothingBuiltError:
        return Choices()
    found = records.list_entry_choices(warehouse)
    named = {kind: found.filter(pl.col("kind") == kind)["choice"].to_list() for kind in ("reader", "module")}
    vans = sorted(fleet.list_shown_vans(warehouse, ALL_VANS)["van"].to_list())
    return Choices(vans, named["reader"], named["module"], records.list_reader_readings(warehouse))
