"""Which tables, and which months of them, new rows can have changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

from pipeline.errors import KinbayError
from pipeline.warehouse.engines import EVERYTHING, BuildState, Engine, Parts
from pipeline.warehouse.models import Model


@dataclass(frozen=True)
class Computed:
    """A table that Python makes between the models.

    Parameters
    ----------
    parents : tuple of str
        Models, computed, vocabulary or raw tables it reads (the latter three with their schema).
    run : callable
        Given the engine, writes the table (`engine.write`).
    fingerprint : str
        Changes whenever the same input would give another output.
    written_by : str
        The step that writes this table together with its own; empty where `run` writes it.
    """

    parents: tuple[str, ...]
    run: Callable[[Engine], None]
    fingerprint: str
    written_by: str = ""


@dataclass(frozen=True)
class Touched:
    """What of a table is out of date, or came out otherwise.

    Parameters
    ----------
    parts : frozenset of date, or "everything"
        Partitions.
    rows : frozenset of str or None
        Values of the table's `narrow_by` that it stays within; None where it may be anywhere in `parts`.
    """

    parts: Parts
    rows: frozenset[str] | None = None


NOTHING, ALL = Touched(frozenset()), Touched(EVERYTHING)
_MOST_ROWS = 1000
"""With more values than this, whole partitions are made anew: a condition that names them all is slow."""


def reads(node: Model | Computed) -> tuple[str, ...]:
    """Return all tables that a table is made from."""
    return node.parents + node.sources if isinstance(node, Model) else node.parents


def is_made(name: str) -> bool:
    """Whether a build makes it, rather than finding it there: models and computed tables."""
    return "." not in name or name.startswith("computed.")


class Sources:
    """The tables a build finds: which have grown since the last build, and which are not what they were."""

    def __init__(self, engine: Engine, nodes: Mapping[str, Model | Computed], known: BuildState) -> None:
        self._engine = engine
        names = {s for node in nodes.values() for s in reads(node) if not is_made(s)}
        columns = engine.columns_of(names | {"raw.store"})
        if missing := sorted(names - set(columns)):
            raise KinbayError("A table the models read is not in the work file", missing[0])
        names = set(columns)
        self._batched = sorted(s for s in names if "batch_id" in columns[s])
        self.last_batch = known.batch_id
        self.grown = self._with_new_rows()
        kept = engine.contents(sorted(names.difference(self._batched))) | self._counts(
            self._batched, known.batch_id
        )
        self.altered = {s for s in names if s in known.marks and known.marks[s] != kept[s]}
        self._marks = kept
        self.restarted = "raw.store" in self.altered
        newest = [engine.values(f"select max(batch_id) from {s}")[0] for s in sorted(self.grown)]  # noqa: S608
        self.newest_batch: int = max([known.batch_id, *(n for n in newest if n is not None)])

    def _with_new_rows(self) -> set[str]:
        asked = [
            f"select '{s}' where exists (select 1 from {s} where batch_id > {self.last_batch})"  # noqa: S608 - a model's own table
            for s in self._batched
        ]
        return set(self._engine.values(" union all ".join(asked))) if asked else set()

    def _counts(self, sources: Collection[str], up_to_batch: int) -> dict[str, str]:
        return {s: str(n) for s, n in self._engine.rows_up_to(sorted(sources), up_to_batch).items()}

    def marks_now(self) -> dict[str, str]:
        """What tells the sources' content: the rows counted up to the newest batch, or a hash of tables without one."""
        return self._marks | self._counts(self.grown, self.newest_batch)


def stale(
    engine: Engine,
    node: Model | Computed,
    nodes: Mapping[str, Model | Computed],
    sources: Sources,
    dirty: Mapping[str, Touched],
    run: Collection[str],
) -> Touched:
    """Return what of a table must be rebuilt, its own definition being unchanged."""
    if isinstance(node, Computed) and node.written_by:
        return ALL if node.written_by in run else NOTHING
    own = [r for r in reads(node) if not is_made(r)]
    grown = [r for r in own if r in sources.grown]
    if sources.restarted or any(r in sources.altered for r in own):
        return ALL
    if isinstance(node, Computed) or not node.partition_by or (grown and not node.changed):
        return ALL if grown or any(dirty[r].parts for r in reads(node) if is_made(r)) else NOTHING
    found = [_named(engine, node, sources.last_batch)] if grown else []
    for parent in (r for r in reads(node) if is_made(r) and dirty[r].parts):
        touched, other = dirty[parent], nodes[parent]
        if touched.parts == EVERYTHING or not is_kept_alike(node, other):
            return ALL
        is_narrow = isinstance(other, Model) and other.narrow_by == node.narrow_by
        found.append(touched if is_narrow else Touched(touched.parts))
    return _together(found)


def is_kept_alike(model: Model, other: Model | Computed) -> bool:
    """Whether another table is kept in the same partitions as a model."""
    return isinstance(other, Model) and other.partition_by == model.partition_by


def _named(engine: Engine, model: Model, last_batch: int) -> Touched:
    """What the `changed` query of a model names for the raw rows that came after a batch."""
    table = engine.arrow(str(model.changed).replace("@last_batch", str(last_batch)))
    parts, *rows = (frozenset(named.to_pylist()) for named in table.columns)
    return Touched(parts, rows[0] if rows else None)


def _together(found: Sequence[Touched]) -> Touched:
    """All that was found, in one."""
    parts = frozenset[dt.date]().union(*(t.parts for t in found if isinstance(t.parts, frozenset)))
    narrow = [touched.rows for touched in found if touched.rows is not None]
    rows = frozenset[str]().union(*narrow)
    return Touched(parts, rows if len(narrow) == len(found) and len(rows) <= _MOST_ROWS else None)
