"""Writes `docs/models.md` from the headers of the models and checks.

`python -m pipeline.warehouse.documentation` writes it anew; a test fails when it is not fresh.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import duckdb

from pipeline.settings import Settings
from pipeline.warehouse import checks, models, raw, runner, words
from pipeline.warehouse.engines import DuckDB
from pipeline.warehouse.models import Model

_INTRODUCTION = """# Models

Made from the headers of the SQL files by `python -m pipeline.warehouse.documentation`; do not edit.

Each model is one SELECT, named after the table it makes. They are built in the order in which data
flows: raw rows, staging (rows made fit to be compared), intermediate (steps on the way), marts (what
is published and what the dashboard reads). Tables of schema `computed` are made by Python between the
models. The columns of the marts stand in the published file as comments too.
"""
_COMPUTED = Path(__file__).with_name("computed_tables.sql")


def empty_house() -> DuckDB:
    """Return an engine in memory in which every model stands, built on no rows at all."""
    connection = duckdb.connect()
    raw.create(connection)
    words.write(connection, Settings())
    engine = DuckDB(connection)
    connection.execute(_COMPUTED.read_text("utf-8"))
    runner.build(engine, models.load(), _found_there(engine))
    return engine


def _found_there(engine: DuckDB) -> dict[str, runner.Computed]:
    """Steps that make nothing, for the computed tables that stand there already."""
    rows = engine.values("select table_name from duckdb_tables() where schema_name = 'computed'")
    return {f"computed.{name}": runner.Computed((), lambda _: None, "") for name in rows}


def undocumented(model: Model, columns: Iterable[str]) -> list[str]:
    """Return what a model's header leaves out: its grain, or a column; and columns that are not there."""
    present = list(columns)
    faults = [] if model.grain else ["grain"]
    if model.layer == "marts":
        faults += [c for c in present if c not in model.columns]
    return faults + [f"{c} (no such column)" for c in model.own_columns if c not in present]


def models_page() -> str:
    """Return `docs/models.md` as it should read now."""
    engine = empty_house()
    all_models = models.load()
    parts = [_INTRODUCTION]
    for layer in ("marts", "intermediate", "staging"):
        parts.append(f"\n## {layer.capitalize()}\n")
        parts += [_section(m, engine.columns(m.name)) for m in all_models if m.layer == layer]
    parts.append(
        "\n## Checks\n\nA check is a query whose rows are violations; `stop` keeps a build unpublished.\n"
    )
    parts.append("\n| check | severity | what it looks for | what to do |\n|---|---|---|---|\n")
    parts += [f"| `{c.name}` | {c.severity} | {c.sentence} | {c.remedy} |\n" for c in checks.load()]
    parts.append("\nBesides, no two rows of a model may share its key.\n")
    return "".join(parts)


def _section(model: Model, columns: Mapping[str, str]) -> str:
    lines = [f"\n### {model.name}\n", f"\n{model.sentence}\n"]
    facts = [f"{model.grain or 'no grain given'}", model.kind]
    if model.partition_by:
        facts.append(
            f"rebuilt by {model.partition_by}" + (f" and {model.narrow_by}" if model.narrow_by else "")
        )
    if model.key:
        facts.append(f"key: {', '.join(model.key)}")
    lines.append(f"\n*{'; '.join(facts)}*\n")
    if reads := [*model.parents, *model.sources]:
        lines.append(f"\nReads {', '.join(f'`{r}`' for r in reads)}.\n")
    wanted = (
        columns if model.layer == "marts" else {c: t for c, t in columns.items() if c in model.own_columns}
    )
    if wanted:
        lines.append("\n| column | type | meaning |\n|---|---|---|\n")
        lines += [f"| `{c}` | {t.lower()} | {model.columns.get(c, '')} |\n" for c, t in wanted.items()]
    return "".join(lines)


def main() -> None:
    """Write `docs/models.md` in the present folder's project."""
    Path("docs/models.md").write_text(models_page(), "utf-8")


if __name__ == "__main__":
    main()
