"""Brings models and computed tables up to date, rebuilding only what new rows can have changed.

A model is out of date as a whole, or in some of its partitions (months). Partitions are those that
its own `changed` query names for the new raw rows, and those its parents rebuilt. Where each row comes
from one scan alone (`narrow_by`), a month's other scans are left as they are. What was built is
remembered only at the end: a build that is cut short is simply done again. A table made as a whole
whose rows come out as the last finished build left them counts as not rebuilt, so that nothing is made
or published anew on its account. Rows are hashed only where there is something to compare them with: a
table made for the first time is looked at by the first build that is about to make it again.
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
from pipeline.warehouse.lanes import work_off
from pipeline.warehouse.models import Model
from pipeline.warehouse.stale import (
    ALL,
    NOTHING,
    Computed,
    Sources,
    Touched,
    is_kept_alike,
    is_made,
    reads,
    stale,
)

__all__ = ["Afterwards", "Computed", "Step", "arrange", "build", "narrow", "within"]

_NOT_HASHED = ""
"""Kept in place of a hash: the table is as the last finished build left it, and nobody has hashed it yet."""


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
        How many tables were done with it, and number of tables.
    """

    name: str
    layer: str
    action: str
    parts: Parts
    seconds: float
    number: int
    total: int


@dataclass(frozen=True)
class Afterwards:
    """Work on finished tables that makes no table itself: a check, a copy for the published file.

    Parameters
    ----------
    name : str
        No table's and no other work's name.
    parents : tuple of str
        The tables it reads, and the other such work it waits for.
    run : callable
        Given the engine and what of each finished table may have come out otherwise.
    """

    name: str
    parents: tuple[str, ...]
    run: Callable[[Engine, Mapping[str, Parts]], None]


def build(
    engine: Engine,
    models: Sequence[Model],
    steps: Mapping[str, Computed] | None = None,
    progress: Callable[[Step], None] | None = None,
    after: Sequence[Afterwards] = (),
    *,
    full: bool = False,
) -> list[Step]:
    """Bring every model and computed table up to date; return one step for each, parents before children.

    What does not wait for one another is made at the same time, on the engine's lanes.

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
    after : sequence of Afterwards
        What is to be done with finished tables; it is done while others are made.
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
    sources = Sources(engine, nodes, known)
    for name in set(remembered.fingerprints) - set(order):
        engine.drop(name)
    engine.begin()
    engine.forget(name for name in order if known.fingerprints.get(name) != prints[name])
    under_way = _Build(nodes, prints, known, sources, {a.name: a for a in after}, progress)
    graph = {name: [p for p in reads(nodes[name]) if is_made(p)] for name in order}
    heights = _heights(graph)
    graph |= {a.name: [p for p in a.parents if p in under_way.after or is_made(p)] for a in after}
    urgency = heights | {a.name: -1 for a in after}
    work_off(graph, engine.lanes(), under_way.make, under_way.note, urgency)
    contents = under_way.contents
    engine.remember(BuildState(sources.newest_batch, prints, sources.marks_now(), contents), under_way.parts)
    return [under_way.done[name] for name in order]


def _heights(graph: Mapping[str, Sequence[str]]) -> dict[str, int]:
    """The number of tables on the longest way from each table to the end; `graph` has parents first."""
    heights = dict.fromkeys(graph, 0)
    for name in reversed(list(graph)):
        for parent in graph[name]:
            heights[parent] = max(heights[parent], heights[name] + 1)
    return heights


@dataclass(frozen=True)
class _Made:
    """What was done with one table: what was rebuilt of it, what of that may have come out otherwise, its hash."""

    action: str
    touched: Touched
    came_out: Touched
    content: str | None
    seconds: float


class _Build:
    """What a build has done so far; `make` runs in threads, `note` in one."""

    def __init__(
        self,
        nodes: Mapping[str, Model | Computed],
        prints: Mapping[str, str],
        known: BuildState,
        sources: Sources,
        after: Mapping[str, Afterwards],
        progress: Callable[[Step], None] | None,
    ) -> None:
        self._nodes, self._prints, self._known, self._sources = nodes, prints, known, sources
        self._before = {} if sources.restarted else known.contents
        self._progress = progress
        self._run: set[str] = set()
        self.after = after
        self.rebuilt: dict[str, Touched] = {}
        self.parts: dict[str, Parts] = {}
        self.contents: dict[str, str] = {}
        self.done: dict[str, Step] = {}

    def make(self, name: str, engine: Engine) -> _Made | None:
        """Bring one table up to date, or do the work that follows; return what was done with a table."""
        started = time.perf_counter()
        if name in self.after:
            self.after[name].run(engine, self.parts)
            return None
        node = self._nodes[name]
        is_same = self._known.fingerprints.get(name) == self._prints[name]
        touched = stale(engine, node, self._nodes, self._sources, self.rebuilt, self._run) if is_same else ALL
        before = self._before.get(name) if is_same else None
        if before == _NOT_HASHED and touched.parts and not _is_written_with_another(node):
            before = engine.contents([name])[name]
        action = _bring_up_to_date(engine, name, self._nodes, touched, is_same)
        content = _content(engine, name, node, touched.parts, before)
        is_alike = bool(content) and content == before
        came_out = NOTHING if is_alike else touched
        return _Made(action, touched, came_out, content, time.perf_counter() - started)

    def note(self, name: str, made: _Made | None) -> None:
        """Keep what `make` returned, and tell of it."""
        if made is None:
            return
        if made.touched.parts:
            self._run.add(name)
        if made.content is not None:
            self.contents[name] = made.content
        self.rebuilt[name], self.parts[name] = made.came_out, made.came_out.parts
        node = self._nodes[name]
        layer = node.layer if isinstance(node, Model) else "computed"
        self.done[name] = Step(
            name, layer, made.action, self.parts[name], made.seconds, len(self.done) + 1, len(self._nodes)
        )
        if self._progress:
            self._progress(self.done[name])


def _is_written_with_another(node: Model | Computed) -> bool:
    return isinstance(node, Computed) and bool(node.written_by)


def _content(
    engine: Engine, name: str, node: Model | Computed, parts: Parts, before: str | None
) -> str | None:
    """Hash of a table made as a whole; None where months of it are made alone, and for views."""
    if isinstance(node, Model) and (node.kind == "view" or node.partition_by):
        return None
    if not parts:
        return before
    # The step that writes another's table too has done so before that one's own turn: it is hashed in any case.
    if before is None and not _is_written_with_another(node):
        return _NOT_HASHED
    return engine.contents([name])[name]


def arrange(nodes: Mapping[str, Model | Computed]) -> list[str]:
    """Return the names of all tables, parents before children.

    Raises
    ------
    KinbayError
        Where tables read one another in a circle, or a computed table nobody makes is read.
    """
    graph = {name: sorted(p for p in reads(node) if is_made(p)) for name, node in sorted(nodes.items())}
    for name, parents in graph.items():
        for parent in parents:
            if parent not in nodes:
                raise KinbayError(f"{name} reads {parent}, which no step makes", name)
    try:
        return list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        raise KinbayError("Tables read one another in a circle", " > ".join(error.args[1])) from error


def _fingerprints(order: Sequence[str], nodes: Mapping[str, Model | Computed]) -> dict[str, str]:
    """Hash of each table's own definition and of everything it is made from."""
    prints: dict[str, str] = {}
    for name in order:
        node = nodes[name]
        if isinstance(node, Model):
            own = f"{node.kind}\n{node.partition_by}\n{node.narrow_by}\n{node.changed}\n{node.text}"
        else:
            own = node.fingerprint
        lines = [name, own, *(prints[p] for p in sorted(reads(node)) if p in prints)]
        prints[name] = hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]
    return prints


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
        if isinstance(parent, Model) and is_kept_alike(model, parent):
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
