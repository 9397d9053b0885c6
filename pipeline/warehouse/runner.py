"""Brings models and computed tables up to date, rebuilding only what new rows can have changed.

A model is out of date as a whole, or in some of its partitions (months). Partitions are those that
its own `changed` query names for the new raw rows, and those its parents rebuilt. Where each row comes
from one scan alone (`narrow_by`), a month's other scans are left as they are. What was built is
remembered only at the end: a build that is cut short is simply done again. A table made as a whole
whose rows come out as the last finished build left them counts as not rebuilt, so that nothing is made
or published anew on its account.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

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


_NOTHING, _ALL = Touched(frozenset()), Touched(EVERYTHING)
_MOST_ROWS = 1000
"""With more values than this, whole partitions are made anew: a condition that names them all is slow."""


@dataclass(frozen=True)
class Step:
    """What a build did with one table.

    Parameters
    ----------
    name, layer : str
        The table, and the layer it stands in (`computed` for Python's).
    action : str
        skip, view, full, partial or computed.
    parts : frozenset of date, or "everything"
        What of it was rebuilt and may have come out otherwise.
    seconds : float
        Time it took.
    number, total : int
        Place in the build, from 1, and number of tables.
    """

    name: str
    layer: str
    action: str
    parts: Parts
    seconds: float
    number: int
    total: int


def build(
    engine: Engine,
    models: Sequence[Model],
    steps: Mapping[str, Computed] | None = None,
    progress: Callable[[Step], None] | None = None,
    *,
    full: bool = False,
) -> list[Step]:
    """Bring every model and computed table up to date; return one step for each, in order.

    Parameters
    ----------
    engine : Engine
        Where the tables live.
    models : sequence of Model
        As `models.load` gives them.
    steps : mapping of str to Computed
        Computed tables by name (`computed.something`).
    progress : callable
        Called after each step.
    full : bool
        Rebuild everything, whatever was remembered.

    Raises
    ------
    KinbayError
        Where tables read one another in a circle or a computed table is missing.
    """
    nodes: dict[str, Model | Computed] = {m.name: m for m in models} | dict(steps or {})
    order = arrange(nodes)
    prints = _fingerprints(order, nodes)
    remembered = engine.state()
    known = BuildState() if full else remembered
    sources = _Sources(engine, nodes, known)
    for name in set(remembered.fingerprints) - set(order):
        engine.drop(name)
    engine.begin()
    engine.forget(name for name in order if known.fingerprints.get(name) != prints[name])
    before = {} if sources.restarted else known.contents
    rebuilt: dict[str, Touched] = {}
    contents: dict[str, str] = {}
    run: set[str] = set()
    done = []
    for number, name in enumerate(order, 1):
        started, node = time.perf_counter(), nodes[name]
        is_same = known.fingerprints.get(name) == prints[name]
        touched = _stale(engine, node, nodes, sources, rebuilt, run) if is_same else _ALL
        action = _bring_up_to_date(engine, name, nodes, touched, is_same)
        if touched.parts:
            run.add(name)
        content = _content(engine, name, node, touched.parts, before.get(name))
        if content:
            contents[name] = content
        if is_same and content and content == before.get(name):
            touched = _NOTHING
        rebuilt[name] = touched
        layer = node.layer if isinstance(node, Model) else "computed"
        done.append(
            Step(name, layer, action, touched.parts, time.perf_counter() - started, number, len(order))
        )
        if progress:
            progress(done[-1])
    parts = {name: touched.parts for name, touched in rebuilt.items()}
    engine.remember(BuildState(sources.newest_batch, prints, sources.marks_now(), contents), parts)
    return done


def _content(
    engine: Engine, name: str, node: Model | Computed, parts: Parts, before: str | None
) -> str | None:
    """Hash of a table made as a whole; None where months of it are made alone, and for views."""
    if isinstance(node, Model) and (node.kind == "view" or node.partition_by):
        return None
    return engine.content(name) if parts else before


def arrange(nodes: Mapping[str, Model | Computed]) -> list[str]:
    """Return the names of all tables, parents before children.

    Raises
    ------
    KinbayError
        Where tables read one another in a circle, or a computed table nobody makes is read.
    """
    graph = {name: sorted(p for p in _reads(node) if _is_made(p)) for name, node in sorted(nodes.items())}
    for name, parents in graph.items():
        for parent in parents:
            if parent not in nodes:
                raise KinbayError(f"{name} reads {parent}, which no step makes", name)
    try:
        return list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        raise KinbayError("Tables read one another in a circle", " > ".join(error.args[1])) from error


def _reads(node: Model | Computed) -> tuple[str, ...]:
    return node.parents + node.sources if isinstance(node, Model) else node.parents


def _is_made(name: str) -> bool:
    """Whether a build makes it, rather than finding it there: models and computed tables."""
    return "." not in name or name.startswith("computed.")


def _fingerprints(order: Sequence[str], nodes: Mapping[str, Model | Computed]) -> dict[str, str]:
    """Hash of each table's own definition and of everything it is made from."""
    prints: dict[str, str] = {}
    for name in order:
        node = nodes[name]
        if isinstance(node, Model):
            own = f"{node.kind}\n{node.partition_by}\n{node.narrow_by}\n{node.changed}\n{node.text}"
        else:
            own = node.fingerprint
        lines = [name, own, *(prints[p] for p in sorted(_reads(node)) if p in prints)]
        prints[name] = hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]
    return prints


class _Sources:
    """The tables a build finds: which have grown since the last build, and which are not what they were."""

    def __init__(self, engine: Engine, nodes: Mapping[str, Model | Computed], known: BuildState) -> None:
        self._engine = engine
        names = {s for node in nodes.values() for s in _reads(node) if not _is_made(s)}
        columns = {s: engine.columns(s) for s in names | {"raw.store"}}
        if missing := sorted(s for s in names if not columns[s]):
            raise KinbayError("A table the models read is not in the work file", missing[0])
        names = {s for s in columns if columns[s]}
        self._batched = {s for s in names if "batch_id" in columns[s]}
        self._plain = names - self._batched
        self.last_batch = known.batch_id
        self.grown = {s for s in self._batched if self._has_new(s)}
        kept = {s: engine.mark(s, known.batch_id) for s in names}
        self.altered = {s for s in names if s in known.marks and known.marks[s] != kept[s]}
        self._marks = kept
        self.restarted = "raw.store" in self.altered
        newest = [engine.values(f"select max(batch_id) from {s}")[0] for s in sorted(self.grown)]  # noqa: S608
        self.newest_batch: int = max([known.batch_id, *(n for n in newest if n is not None)])

    def _has_new(self, source: str) -> bool:
        new = f"select 1 from {source} where batch_id > {self.last_batch} limit 1"  # noqa: S608 - a model's own table
        return bool(self._engine.values(new))

    def marks_now(self) -> dict[str, str]:
        """The marks to remember: those of grown tables counted again up to the newest batch."""
        return self._marks | {s: self._engine.mark(s, self.newest_batch) for s in self.grown}


def _stale(
    engine: Engine,
    node: Model | Computed,
    nodes: Mapping[str, Model | Computed],
    sources: _Sources,
    dirty: Mapping[str, Touched],
    run: set[str],
) -> Touched:
    """Return what of a table must be rebuilt, its own definition being unchanged."""
    if isinstance(node, Computed) and node.written_by:
        return _ALL if node.written_by in run else _NOTHING
    reads = [r for r in _reads(node) if not _is_made(r)]
    grown = [r for r in reads if r in sources.grown]
    if sources.restarted or any(r in sources.altered for r in reads):
        return _ALL
    if isinstance(node, Computed) or not node.partition_by or (grown and not node.changed):
        return _ALL if grown or any(dirty[r].parts for r in _reads(node) if _is_made(r)) else _NOTHING
    found = [_named(engine, node, sources.last_batch)] if grown else []
    for parent in (r for r in _reads(node) if _is_made(r) and dirty[r].parts):
        touched, other = dirty[parent], nodes[parent]
        if touched.parts == EVERYTHING or not _is_kept_alike(node, other):
            return _ALL
        is_narrow = isinstance(other, Model) and other.narrow_by == node.narrow_by
        found.append(touched if is_narrow else Touched(touched.parts))
    return _together(found)


def _is_kept_alike(model: Model, other: Model | Computed) -> bool:
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


def _bring_up_to_date(
    engine: Engine,
    name: str,
    nodes: Mapping[str, Model | Computed],
    touched: Touched,
    is_same: bool,
) -> str:
    """Rebuild the parts of one table whose definition is the same or not; return what was done."""
    node, parts = nodes[name], touched.parts
    if isinstance(node, Computed):
        if not parts:
            return "skip"
        node.run(engine)
        return "computed"
    if node.kind == "view":
        if is_same:
            return "skip"
        engine.create_view(name, node.text)
        return "view"
    if parts == EVERYTHING:
        engine.replace_table(name, node.partition_by, node.text)
        return "full"
    if not parts:
        return "skip"
    engine.replace_partitions(name, _only(node, touched), _only_touched(node, nodes, touched))
    return "partial"


def within(column: str, parts: frozenset[dt.date]) -> str:
    """Return the SQL condition that a date column holds one of `parts`."""
    dates = ", ".join(f"date '{part.isoformat()}'" for part in sorted(parts))
    return f"{column} in ({dates})"


def _only(model: Model, touched: Touched) -> str:
    """Return the SQL condition that a row of a partitioned model is one of those touched."""
    assert touched.parts != EVERYTHING
    only = within(str(model.partition_by), touched.parts)
    if touched.rows is None or not model.narrow_by:
        return only
    rows = ", ".join("'" + row.replace("'", "''") + "'" for row in sorted(touched.rows))
    return f"{only} and {model.narrow_by} in ({rows})"


def _only_touched(model: Model, nodes: Mapping[str, Model | Computed], touched: Touched) -> str:
    """The model's query over the wanted rows of its parents.

    Each parent that is kept in the same partitions is narrowed where it is read, which no optimiser
    has to find out; the result is narrowed once more, for parents that are not.
    """
    narrowed = model.text
    for name in model.parents:
        parent = nodes[name]
        if isinstance(parent, Model) and _is_kept_alike(model, parent):
            is_narrow = parent.narrow_by == model.narrow_by
            narrowed = narrow(narrowed, name, _only(parent, touched if is_narrow else Touched(touched.parts)))
    return f"select * from ({narrowed}) as model where {_only(model, touched)}"  # noqa: S608 - a model that ships


def narrow(text: str, table: str, only: str) -> str:
    """Return a SELECT that reads only those rows of `table` for which `only` holds."""
    read = re.compile(rf"(?<!distinct )\b(from|join)(\s+){re.escape(table)}\b(?![.(])(\s+as\s+\w+)?")
    return read.sub(
        lambda m: f"{m[1]}{m[2]}(select * from {table} where {only}){m[3] or f' as {table}'}",  # noqa: S608
        text,
    )
