"""Reads the SQL models: one SELECT a file, with a header that says what it makes and how it is kept.

The file's name is the table's name and its folder the layer. The header is a block of `--` lines:

    -- One sentence or more about the model.
    -- grain: one row per ...
    -- key: the columns that make a row unique
    -- kind: view | table
    -- partition_by: the date column whose values can be rebuilt one by one
    -- narrow_by: the column within a partition by which rows can be rebuilt alone: each row comes from rows with its own value
    -- changed: SELECT of the partitions that raw rows with batch_id > @last_batch fall into, and of their values of narrow_by
    -- column NAME: meaning (unit)

A line indented by three spaces or more carries the entry before it on. Columns that mean the same
everywhere are described once, in `columns.toml` of the models' folder.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources
from importlib.resources.abc import Traversable
from typing import TYPE_CHECKING

from pipeline.errors import KinbayError, nearest

if TYPE_CHECKING:
    from sqlglot import exp

_ENTRY = re.compile(
    r"(grain|key|kind|partition_by|narrow_by|changed|severity|remedy|column [a-z0-9_]+): +(.*)"
)
_STEP = re.compile(r"(?:\bwith|,)\s*([a-z_][a-z0-9_]*)\s+as\s*\(")
_TABLE = re.compile(r"(?<!\bdistinct)\s(?:from|join)\s+([a-z_][a-z0-9_.]*)")
_ALLOWED = {
    "models": {"grain", "key", "kind", "partition_by", "narrow_by", "changed"},
    "checks": {"severity", "remedy"},
}


@dataclass(frozen=True)
class Model:
    """One SQL model.

    Parameters
    ----------
    name, layer : str
        File and folder name: the table it makes, and staging, intermediate or marts.
    sentence, grain : str
        What it holds and what one row is.
    key : tuple of str
        Columns that make a row unique; empty where the header names none.
    kind : str
        `view` or `table`.
    partition_by, narrow_by, changed : str or None
        See the module's own description.
    columns, own_columns : mapping
        Column name to meaning: with what `columns.toml` says, and from the header alone.
    text : str
        The SELECT, in DuckDB's dialect, without the header.
    parents, sources : tuple of str
        Models it reads; raw, vocabulary and computed tables it reads.
    """

    name: str
    layer: str
    sentence: str
    grain: str
    key: tuple[str, ...]
    kind: str
    partition_by: str | None
    narrow_by: str | None
    changed: str | None
    columns: Mapping[str, str] = field(hash=False)
    own_columns: Mapping[str, str] = field(hash=False)
    text: str
    parents: tuple[str, ...]
    sources: tuple[str, ...]

    @cached_property
    def query(self) -> exp.Select:
        """The SELECT as a tree; parsed when first asked for, since few builds need it."""
        return parse(self.text, f"{self.layer}/{self.name}.sql")


@dataclass(frozen=True)
class Header:
    """The parsed comment block of a SQL file: its sentence, its entries, its columns."""

    sentence: str
    entries: Mapping[str, str]
    columns: Mapping[str, str]


def packaged() -> Traversable:
    """Return the folder of the models that ship."""
    return resources.files("pipeline") / "models"


def read_header(text: str, kind: str = "models", where: str = "") -> Header:
    """Parse the `--` lines at the top of a SQL file.

    Raises
    ------
    KinbayError
        Where there is no sentence, or an entry that does not belong there.
    """
    block = re.match(r"(?:--[^\n]*\n)*", text)
    lines = block.group().splitlines() if block else []
    sentence: list[str] = []
    found: dict[str, list[str]] = {}
    open_entry = sentence
    for line in lines:
        body = line[2:]
        entry = _ENTRY.match(body.strip())
        if body.startswith("    ") or not entry:
            open_entry.append(body.strip())
        else:
            open_entry = found.setdefault(entry.group(1), [])
            open_entry.append(entry.group(2))
    entries = {key: " ".join(parts) for key, parts in found.items() if not key.startswith("column ")}
    columns = {key[7:]: " ".join(parts) for key, parts in found.items() if key.startswith("column ")}
    if not sentence:
        raise KinbayError("A SQL file does not say what it makes", where, "Begin it with a `-- sentence`.")
    if stray := set(entries) - _ALLOWED[kind]:
        raise KinbayError("A SQL file's header has an entry it may not have", f"{where}: {sorted(stray)[0]}")
    return Header(" ".join(sentence), entries, columns)


def parse(text: str, where: str = "") -> exp.Select:
    """Parse one SELECT in DuckDB's dialect.

    Raises
    ------
    KinbayError
        Where it is not exactly one SELECT, or a CTE has the name of a table it reads itself.

    Notes
    -----
    The parser is imported here: few builds parse, and its import costs a third of a second.
    """
    import sqlglot
    from sqlglot import exp
    from sqlglot.errors import ParseError

    try:
        statements = sqlglot.parse(text, dialect="duckdb")
    except ParseError as error:
        raise KinbayError("A SQL file cannot be read", where, str(error)) from error
    if len(statements) != 1 or not isinstance(statements[0], exp.Select):
        raise KinbayError("A SQL file has to hold exactly one SELECT", where)
    query = statements[0]
    for cte in query.find_all(exp.CTE):
        if any(t.name == cte.alias and not t.db for t in cte.this.find_all(exp.Table)):
            raise KinbayError("A step has the name of the table it reads", f"{where}: {cte.alias}")
    return query


def bare(text: str) -> str:
    """Return a SELECT without its comment lines."""
    return "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("--")).strip()


def tables_read(text: str) -> set[str]:
    """Return the tables a SELECT reads: `model` or `schema.table`, its own steps left out.

    Found by the words before them, since parsing every model would cost a build half a second; a
    test holds it against the parsed tree of every model.
    """
    steps = set(_STEP.findall(text))
    return {name for name in _TABLE.findall(text) if name not in steps}


def load(folder: Traversable | None = None) -> list[Model]:
    """Read all models under `folder` (those that ship, where none is given), by layer and name.

    Raises
    ------
    KinbayError
        Where a file cannot be read, two models share a name, or a model reads one that is not there.
    """
    return _read(folder) if folder else list(_shipped())


@cache
def _shipped() -> tuple[Model, ...]:
    """The models that ship, read once in a process."""
    return tuple(_read(packaged()))


def _read(root: Traversable) -> list[Model]:
    dictionary = _dictionary(root)
    models: dict[str, Model] = {}
    for layer in ("staging", "intermediate", "marts"):
        for path in _sql_files(root / layer):
            model = _model(path.name.removesuffix(".sql"), layer, path.read_text("utf-8"), dictionary)
            if model.name in models:
                raise KinbayError("Two models have one name", model.name)
            models[model.name] = model
    for model in models.values():
        for parent in model.parents:
            if parent not in models:
                hint = nearest(parent, models)
                raise KinbayError(
                    f"A model reads a table that no model makes: {parent}",
                    model.name,
                    f"Did you mean {hint}?" if hint else "",
                )
    return list(models.values())


def _dictionary(root: Traversable) -> dict[str, str]:
    path = root / "columns.toml"
    return tomllib.loads(path.read_text("utf-8")) if path.is_file() else {}


def _sql_files(folder: Traversable) -> Iterable[Traversable]:
    if not folder.is_dir():
        return []
    return sorted((p for p in folder.iterdir() if p.name.endswith(".sql")), key=lambda p: p.name)


def _model(name: str, layer: str, text: str, dictionary: Mapping[str, str]) -> Model:
    header = read_header(text, "models", f"{layer}/{name}.sql")
    select = bare(text)
    tables = tables_read(select)
    if changed := header.entries.get("changed"):
        tables |= tables_read(f" {changed}")
    kind = header.entries.get("kind", "")
    if kind not in ("view", "table"):
        raise KinbayError("A model has to say whether it is a view or a table", f"{layer}/{name}.sql")
    return Model(
        name=name,
        layer=layer,
        sentence=header.sentence,
        grain=header.entries.get("grain", ""),
        key=tuple(k.strip() for k in header.entries.get("key", "").split(",") if k.strip()),
        kind=kind,
        partition_by=header.entries.get("partition_by"),
        narrow_by=header.entries.get("narrow_by"),
        changed=changed,
        columns={**dictionary, **header.columns},
        own_columns=header.columns,
        text=select,
        parents=tuple(sorted(t for t in tables if "." not in t)),
        sources=tuple(sorted(t for t in tables if "." in t)),
    )
