"""The tidy tables as frozen records, read from their data file."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True)
class TidyTable:
    """One tidy table: its grain, its columns by kind, and the columns that recognise it.

    Parameters
    ----------
    name : str
        What the table is called in reports and layouts.
    grain : str
        What one row is.
    columns : dict[str, str]
        Kind by column name; the kinds are listed at the top of the data file.
    required : tuple[str, ...]
        The columns a file must have.
    without_scan_id : tuple[str, ...]
        The columns that may stand for `scan_id`; empty where none may.
    keeps_other_columns : bool
        Whether columns the table does not know are kept as attributes.
    freeze_frame_columns : bool
        Whether columns named `ff_<reading>` are freeze frames.
    """

    name: str
    grain: str
    columns: dict[str, str]
    required: tuple[str, ...]
    without_scan_id: tuple[str, ...] = ()
    keeps_other_columns: bool = False
    freeze_frame_columns: bool = False

    def missing_from(self, present: frozenset[str]) -> tuple[str, ...]:
        """Return the required columns that `present` lacks, by the shorter of the two ways to name a scan."""
        lacking = tuple(c for c in self.required if c not in present)
        if not self.without_scan_id or "scan_id" in present:
            return lacking
        rest = [c for c in self.required if c != "scan_id"]
        wanted = dict.fromkeys([*self.without_scan_id, *rest])
        instead = tuple(c for c in wanted if c not in present)
        return instead if len(instead) < len(lacking) else lacking

    def present_count(self, present: frozenset[str]) -> int:
        """Count the columns that tell this table from others among those present."""
        return len(present & {*self.required, *self.without_scan_id})


@cache
def tidy_tables() -> dict[str, TidyTable]:
    """Return the tidy tables by name, in the order of the data file."""
    text = files("pipeline.layouts").joinpath("tidy/tables.toml").read_text(encoding="utf-8")
    return {
        name: TidyTable(
            name=name,
            grain=row["grain"],
            columns=dict(row["columns"]),
            required=tuple(row["required"]),
            without_scan_id=tuple(row.get("without_scan_id", ())),
            keeps_other_columns=bool(row.get("keeps_other_columns", False)),
            freeze_frame_columns=bool(row.get("freeze_frame_columns", False)),
        )
        for name, row in tomllib.loads(text).items()
    }
