"""The vocabulary's tables as a fleet uses them: with its own settings and thresholds."""

from __future__ import annotations

import pyarrow as pa

from pipeline import vocabulary
from pipeline.columns import column
from pipeline.errors import KinbayError, nearest
from pipeline.settings import Settings
from pipeline.vocabulary.modules import find_module


def _own_thresholds(table: pa.Table, settings: Settings) -> pa.Table:
    """Put the fleet's own resolution and smallest useful difference in place of those that ship."""
    keys = table.column("parameter").to_pylist()
    for name in settings.parameters:
        if name not in keys:
            hint = nearest(name, keys)
            raise KinbayError(
                "A setting names a reading that does not exist",
                f"fleet.toml, parameters.{name}",
                f"Did you mean {hint}?" if hint else "See docs/readings.md for the names.",
            )
    for name in ("resolution", "smallest_useful"):
        given = table.column(name).to_pylist()
        own = [getattr(settings.parameters.get(key), name, None) for key in keys]
        values = [b if b is not None else a for a, b in zip(given, own, strict=True)]
        table = table.set_column(table.schema.get_field_index(name), name, column(values, pa.float64()))
    return table


def all_tables(settings: Settings) -> dict[str, pa.Table]:
    """Return the vocabulary's tables with the fleet's settings and cohort key beside them."""
    made = dict(vocabulary.tables())
    made["parameters"] = _own_thresholds(made["parameters"], settings)
    keys, values = zip(*settings.rows(), strict=True)
    made["settings"] = pa.table({"key": column(keys, pa.string()), "value": column(values, pa.float64())})
    made["cohort_key"] = pa.table(
        {
            "column_name": column(settings.cohort_key, pa.string()),
            "position": column(range(1, len(settings.cohort_key) + 1), pa.int64()),
        }
    )
    own = {name.strip().casefold(): _module(given) for name, given in settings.modules.items()}
    made["own_modules"] = pa.table(
        {"name_folded": column(own.keys(), pa.string()), "module": column(own.values(), pa.string())}
    )
    return made


def _module(given: str) -> str:
    """The list's name for a module that `fleet.toml` names, or the fleet's own."""
    return find_module(given) or given.strip()
