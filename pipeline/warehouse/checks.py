"""Checks the built tables: a check is a query whose rows are violations.

Checks stand in `models/checks`, one SELECT a file, with `severity: stop` or `warn` in the header. A
stop check with any row keeps the build from being published. Besides, every model that names its
key is checked for doubled keys, in the partitions that were rebuilt.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources.abc import Traversable

import pyarrow as pa

from pipeline.columns import column
from pipeline.errors import KinbayError
from pipeline.warehouse.engines import EVERYTHING, Engine, Parts, quote
from pipeline.warehouse.models import Model, bare, packaged, read_header
from pipeline.warehouse.runner import within

N_EXAMPLES = 20


@dataclass(frozen=True)
class Key:
    """Columns that make a row of a table unique, among the rows for which a condition holds."""

    table: str
    columns: tuple[str, ...]
    only: str


@dataclass(frozen=True)
class Check:
    """One check: its SELECT (DuckDB's dialect) gives the rows that violate it.

    A check of a key names it too, so that the engine can say fast that all is well.
    """

    name: str
    severity: str
    sentence: str
    remedy: str
    text: str
    key: Key | None = None


@dataclass(frozen=True)
class CheckResult:
    """What one check found: how many rows violate it, and the first of them as mappings."""

    name: str
    severity: str
    sentence: str
    remedy: str
    n_rows: int
    examples: tuple[dict[str, object], ...] = field(hash=False)

    @property
    def stops(self) -> bool:
        """Whether it keeps the build from being published."""
        return self.severity == "stop" and self.n_rows > 0


def load(folder: Traversable | None = None) -> list[Check]:
    """Read all checks under `folder`/checks (those that ship, where none is given).

    Raises
    ------
    KinbayError
        Where a check does not say whether it stops or warns, or cannot be read.
    """
    root = (folder or packaged()) / "checks"
    found = []
    for path in sorted((p for p in root.iterdir() if p.name.endswith(".sql")), key=lambda p: p.name):
        text, where = path.read_text("utf-8"), f"checks/{path.name}"
        header = read_header(text, "checks", where)
        severity = header.entries.get("severity", "")
        if severity not in ("stop", "warn"):
            raise KinbayError("A check has to say whether it stops or warns", where)
        name = path.name.removesuffix(".sql")
        found.append(Check(name, severity, header.sentence, header.entries.get("remedy", ""), bare(text)))
    return found


def key_checks(models: Iterable[Model], touched: Mapping[str, Parts]) -> list[Check]:
    """Return one check for each table and mart with a key that was touched: no two rows share it.

    Touched is what was rebuilt since the last publishing: a build that was stopped is looked at again.
    Views on the way are left to the tables that read them.
    """
    found = []
    for model in models:
        parts = touched.get(model.name)
        if not model.key or not parts or (model.kind == "view" and model.layer != "marts"):
            continue
        columns = ", ".join(quote(c) for c in model.key)
        only = within(model.partition_by, parts) if parts != EVERYTHING and model.partition_by else "true"
        query = (
            f"select {columns}, count(*) as n_rows from {quote(model.name)} where {only}"  # noqa: S608 - a model's own names
            f" group by {columns} having count(*) > 1"
        )
        sentence = f"No two rows of {model.name} share {', '.join(model.key)}."
        remedy = "This is a fault of the build; build again with --full, and report it if it stays."
        key = Key(model.name, model.key, only)
        found.append(Check(f"key_of_{model.name}", "stop", sentence, remedy, query, key))
    return found


def run(engine: Engine, checks: Iterable[Check]) -> list[CheckResult]:
    """Run checks and keep what they found in `build.check_results`; stops come first.

    Raises
    ------
    KinbayError
        Where a check's query cannot be run.
    """
    found = sorted(
        (_run_one(engine, check) for check in checks), key=lambda r: (not r.stops, r.n_rows == 0, r.name)
    )
    engine.write("build.check_results", as_table(found))
    return found


def _run_one(engine: Engine, check: Check) -> CheckResult:
    n_rows = 0
    if check.key is None or not engine.all_differ(check.key.table, check.key.columns, check.key.only):
        n_rows = int(engine.values(f"select count(*) from ({check.text}) as violations")[0])  # noqa: S608
    examples: tuple[dict[str, object], ...] = ()
    if n_rows:
        first = f"select * from ({check.text}) as violations limit {N_EXAMPLES}"  # noqa: S608 - a file that ships
        examples = tuple(engine.arrow(first).to_pylist())
    return CheckResult(check.name, check.severity, check.sentence, check.remedy, n_rows, examples)


def as_table(results: Sequence[CheckResult]) -> pa.Table:
    """Return results as the rows of the published table `check_results`."""
    return pa.table(
        {
            "check_name": column([r.name for r in results], pa.string()),
            "severity": column([r.severity for r in results], pa.string()),
            "sentence": column([r.sentence for r in results], pa.string()),
            "remedy": column([r.remedy for r in results], pa.string()),
            "n_rows": column([r.n_rows for r in results], pa.int64()),
            "examples": column([json.dumps(r.examples, default=str) for r in results], pa.string()),
        }
    )
