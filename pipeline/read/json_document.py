"""JSON documents: lists of records anywhere inside, or one list per column; every value as text as it stands.

A record's cells are called by their path (`scans.readings.value`), and every record also has the single values
of what it lies in (`scans.van`, `vehicle.plate`), so that one path tells where each fact comes from.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import KinbayError
from pipeline.read.sheets import MOST_COLUMNS, Piece, Sheet, part_long_cells

MOST_BYTES = 256 * 2**20
MOST_DEPTH = 20
RECORD_COLUMN = "record"
Row = dict[str, str]


def open_json(path: Path, records: Sequence[str] = (), *, by_column: bool = False) -> Sheet:
    """Read a JSON document.

    Parameters
    ----------
    path : Path
        The file, UTF-8.
    records : sequence of str
        Paths of the lists whose entries are rows, keys joined by points; empty means the document itself, or
        the one list of objects in it.
    by_column : bool
        Whether the place holds one list per column instead of one object per row.

    Raises
    ------
    KinbayError
        Where it is no JSON, too large, too deep, or holds no such list.
    """
    document = read_document(path)
    places = tuple(records) or (find_records(document),)
    rows: list[Row] = []
    for place in places:
        found = (
            list(_columns(document, place))
            if by_column
            else list(_walk(document, place.split(".") if place else [], "", {}))
        )
        rows += [{**row, RECORD_COLUMN: place} for row in found] if len(places) > 1 else found
    if not rows:
        raise KinbayError(
            "The document holds no such list of records", ", ".join(places), "Check [file] records."
        )
    header = tuple(dict.fromkeys(key for row in rows for key in row))
    if len(header) > MOST_COLUMNS:
        raise KinbayError("The records hold too many different keys", remedy=f"Keep to {MOST_COLUMNS}.")
    cells = {str(i): [row.get(key) for row in rows] for i, key in enumerate(header)}
    frame = pl.DataFrame(cells, schema=dict.fromkeys(cells, pl.String)).with_row_index("line", offset=1)
    body, long = part_long_cells(frame.cast({"line": pl.Int64}))

    def pieces() -> Iterator[Piece]:
        yield Piece(body, long)

    return Sheet("", header, pieces)


def read_document(path: Path) -> Any:
    """Return the document with its numbers as the text they were written in.

    Raises
    ------
    KinbayError
        Where it is no JSON, too large or too deep.
    """
    if path.stat().st_size > MOST_BYTES:
        raise KinbayError("The document is too large", remedy="Write JSON lines, one object per line.")
    try:
        text = path.read_bytes().decode("utf-8-sig")
        return _loads(text)
    except UnicodeDecodeError as error:
        raise KinbayError("The text is not utf-8", remedy="Write the JSON in UTF-8.") from error
    except (ValueError, RecursionError) as error:
        raise KinbayError("This is not a JSON document", str(error)[:200], "Write it anew.") from error


def _loads(text: str) -> Any:
    """A document, or the list of the documents that stand one on a line."""
    try:
        return json.loads(text, parse_float=str, parse_int=str, parse_constant=str)
    except ValueError as error:
        lines = [line for line in text.split("\n") if line.strip()]
        if len(lines) < 2 or not lines[0].lstrip().startswith("{"):
            raise
        try:
            return [json.loads(x, parse_float=str, parse_int=str, parse_constant=str) for x in lines]
        except ValueError:
            raise error from None


def record_places(document: Any) -> list[tuple[str, ...]]:
    """Return the lists of objects that could be the rows, each with the lists around it, the deepest first.

    An object without an entry in the inner list, such as a scan without readings, is then a row of its own.
    """
    places = list(dict.fromkeys(place for _, place in _lists(document, "", 0)))
    is_root = isinstance(document, list)
    found = []
    for place in sorted(places, key=lambda p: -p.count(".") if p else 1):
        around = [p for p in places if p != place and (place.startswith(f"{p}.") or (p == "" and is_root))]
        beside = [p for p in places if p != place and p and p.rpartition(".")[0] == place.rpartition(".")[0]]
        if beside and place:
            found.append((place, *beside, *around))
        found.append((place, *around))
    return found


def find_records(document: Any) -> str:
    """Return the path of the document's longest list of objects; empty for the document itself."""
    best: tuple[int, str] = (0, "")
    for size, place in _lists(document, "", 0):
        if size > best[0]:
            best = (size, place)
    return best[1]


def _lists(node: Any, place: str, depth: int) -> Iterator[tuple[int, str]]:
    if isinstance(node, list) and any(isinstance(e, dict) for e in node):
        yield len(node), place
        for entry in node[:3]:
            yield from _lists(entry, place, depth + 1)
    elif isinstance(node, dict) and depth < MOST_DEPTH:
        for key, value in node.items():
            yield from _lists(value, f"{place}.{key}" if place else str(key), depth + 1)


def _text(value: Any) -> str | None:
    """A single value as text, a list of single values joined by `;`; None for anything else."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return value
    if isinstance(value, list) and all(isinstance(e, str | bool | None) for e in value):
        return ";".join(_text(e) or "" for e in value)
    return None


def _singles(node: Any, place: str, depth: int = 0) -> Row:
    """The single values of an object and of the objects in it, by their path."""
    found: Row = {}
    if isinstance(node, dict) and depth < MOST_DEPTH:
        for key, value in node.items():
            path = f"{place}.{key}" if place else str(key)
            text = _text(value)
            if text is not None:
                found[path] = text
            else:
                found |= _singles(value, path, depth + 1)
    return found


def _walk(node: Any, steps: list[str], place: str, above: Row) -> Iterator[Row]:
    """Every record at the end of the path, with the single values of what it lies in."""
    if isinstance(node, list):
        for entry in node:
            yield from _walk(entry, steps, place, above)
    elif isinstance(node, dict):
        known = above | _singles(node, place)
        if not steps:
            yield known
        elif steps[0] in node:
            yield from _walk(node[steps[0]], steps[1:], f"{place}.{steps[0]}" if place else steps[0], known)


def _columns(document: Any, place: str) -> Iterator[Row]:
    """Rows from lists that stand side by side, with the single values of the document."""
    node = document
    for step in place.split(".") if place else []:
        node = node.get(step) if isinstance(node, dict) else None
    lists = {k: v for k, v in node.items() if isinstance(v, list)} if isinstance(node, dict) else {}
    lengths = {len(v) for v in lists.values()}
    if len(lengths) != 1:
        told = ", ".join(f"{k}: {len(v)}" for k, v in list(lists.items())[:8]) or "none"
        raise KinbayError("The lists of the document are not equally long", told, "Check [file] records.")
    fixed = {
        k: v
        for k, v in _singles(document, "").items()
        if k not in {f"{place}.{c}" if place else c for c in lists}
    }
    names = [f"{place}.{c}" if place else c for c in lists]
    for cells in zip(*lists.values(), strict=True):
        yield fixed | {n: _text(c) or "" for n, c in zip(names, cells, strict=True)}
