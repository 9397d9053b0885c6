"""Checks the built tables: a check is a query whose rows are violations.

Checks stand in `models/checks`, one SELECT a file, with `severity: stop` or `warn` in the header. A
stop check with any row keeps the build from being published. Besides, every model that names its
key is checked for doubled keys, in the partitions that were rebuilt. Checks run beside the build, each
as soon as the tables that it reads stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from importlib.resources.abc import Traversable

from pipeline.errors import KinbayError
from pipeline.warehouse.engines import EVERYTHING, Engine, Parts, joined, quote
from pipeline.warehouse.models import Model, bare, packaged, read_header, tables_read
from pipeline.warehouse.runner import Afterwards, within

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


def key_check(model: Model, parts: Parts) -> Check | None:
    """Return the check that no two rows of a table or mart share its key, in what of it was rebuilt.

    None where the model names no key, nothing was rebuilt, or it is a view on the way: those are left to the
    tables that read them.
    """
    if not _is_key_checked(model) or not parts:
        return None
    columns = ", ".join(quote(c) for c in model.key)
    only = within(model.partition_by, parts) if parts != EVERYTHING and model.partition_by else "true"
    query = (
        f"select {columns}, count(*) as n_rows from {quote(model.name)} where {only}"  # noqa: S608 - a model's own names
        f" group by {columns} having count(*) > 1"
    )
    sentence = f"No two rows of {model.name} share {', '.join(model.key)}."
    remedy = "This is a fault of the build; build again with --full, and report it if it stays."
    return Check(f"key_of_{model.name}", "stop", sentence, remedy, query, Key(model.name, model.key, only))


def _is_key_checked(model: Model) -> bool:
    return bool(model.key) and (model.kind != "view" or model.layer == "marts")


class Checking:
    """The checks of one build, each of them run once the tables that it reads stand.

    Parameters
    ----------
    models : sequence of Model
        As built; those with a key are checked for doubled keys.
    waiting : mapping
        What of each table was rebuilt by builds that were not published: it is looked at again.
    checks : sequence of Check, optional
        Those that ship, where none are given.
    """

    def __init__(
        self, models: Sequence[Model], waiting: Mapping[str, Parts], checks: Sequence[Check] | None = None
    ) -> None:
        self._models, self._waiting = models, waiting
        self._checks = load() if checks is None else checks
        self._found: list[CheckResult] = []

    def work(self) -> list[Afterwards]:
        """Return the checks as work for `runner.build`."""
        own = [
            Afterwards(f"check {c.name}", tuple(sorted(tables_read(c.text))), partial(self._look, c))
            for c in self._checks
        ]
        keys = [
            Afterwards(f"key of {m.name}", (m.name,), partial(self._look_at_key, m))
            for m in self._models
            if _is_key_checked(m)
        ]
        return own + keys

    def _look(self, check: Check, engine: Engine, _: Mapping[str, Parts]) -> None:
        self._found.append(_run_one(engine, check))

    def _look_at_key(self, model: Model, engine: Engine, rebuilt: Mapping[str, Parts]) -> None:
        parts = joined(self._waiting.get(model.name, frozenset()), rebuilt.get(model.name, frozenset()))
        if check := key_check(model, parts):
            self._found.append(_run_one(engine, check))

    def results(self) -> list[CheckResult]:
        """Return what the checks found; stops come first."""
        return sorted(self._found, key=lambda r: (not r.stops, r.n_rows == 0, r.name))


def _run_one(engine: Engine, check: Check) -> CheckResult:
    n_rows = 0
    if check.key is None or not engine.all_differ(check.key.table, check.key.columns, check.key.only):
        n_rows = int(engine.values(f"select count(*) from ({check.text}) as violations")[0])  # noqa: S608
    examples: tuple[dict[str, object], ...] = ()
    if n_rows:
        first = f"select * from ({check.text}) as violations limit {N_EXAMPLES}"  # noqa: S608 - a file that ships
        examples = tuple(engine.arrow(first).to_pylist())
    return CheckResult(check.name, check.severity, check.sentence, check.remedy, n_rows, examples)
