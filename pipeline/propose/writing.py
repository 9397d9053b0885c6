"""A layout as TOML text."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

_ORDER = ("name", "title", "feeds")


def to_toml(layout: Mapping[str, Any], remarks: Sequence[str] = ()) -> str:
    """Write a layout's tables as TOML; `remarks` become comments on top."""
    lines = [f"# {_one_line(r)}" for r in remarks]
    lines += [f"{key} = {_value(layout[key])}" for key in _ORDER if key in layout]
    for key, node in layout.items():
        if key in _ORDER or not node:
            continue
        if isinstance(node, list):
            for entry in node:
                lines += ["", f"[[{key}]]", *_pairs(entry)]
        else:
            plain = {k: v for k, v in node.items() if not isinstance(v, Mapping)}
            lines += ["", f"[{key}]", *_pairs(plain)]
            for name, inner in node.items():
                if isinstance(inner, Mapping) and inner:
                    lines += [f"[{key}.{_key(name)}]", *_pairs(inner)]
    return "\n".join(lines) + "\n"


def _pairs(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(k)} = {_value(v)}" for k, v in table.items()]


def _key(key: str) -> str:
    return key if key and all(c.isascii() and (c.isalnum() or c in "_-") for c in key) else _value(key)


def _value(value: Any) -> str:
    """A TOML value; JSON's escapes are a subset of TOML's."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(v) for v in value)}]"
    if isinstance(value, int | float):
        return repr(value)
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def _one_line(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)
