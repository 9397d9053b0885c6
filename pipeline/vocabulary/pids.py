"""Standard identifiers of SAE J1979 service 01: which reading each is, and what its bytes say.

Source: SAE J1979 and its digital annex, from memory; formulas stand in `parameters.json` under `standard_pid`.
"""

from __future__ import annotations

import ast
import json
import operator
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

from pipeline.vocabulary.records import read_text

_OPERATORS: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}


@dataclass(frozen=True)
class StandardPid:
    """One identifier.

    Parameters
    ----------
    key : str
        The reading.
    pid : str
        Two hexadecimal digits in capitals.
    size : int
        Bytes of data in the reply.
    formula : str
        Value in the reading's own unit from the bytes A, B, C, D.
    is_certain : bool
        Whether size and formula are settled; only then bytes are decoded.
    """

    key: str
    pid: str
    size: int
    formula: str
    is_certain: bool


@cache
def by_pid() -> dict[str, StandardPid]:
    """Return the identifiers by their two hexadecimal digits."""
    found = {}
    for row in json.loads(read_text("parameters.json"))["parameters"]:
        told = row.get("standard_pid")
        if told and told["service"] == "01":
            sure = told["confidence"] == "high" or row["key"] == "odometer"
            found[told["pid"]] = StandardPid(row["key"], told["pid"], told["bytes"], told["expr"], sure)
    return found


def decode_pid_bytes(parameter: str, data: str) -> str | None:
    """Return the value of a reply's data bytes as text, in the reading's own unit; None where it cannot be told.

    >>> decode_pid_bytes("engine_speed", "1A F8")
    '1726.0'
    """
    one = next((p for p in by_pid().values() if p.key == parameter), None)
    bare = data.strip().removeprefix("0x").replace(" ", "")
    try:
        values = bytes.fromhex(bare)
    except ValueError:
        return None
    if one is None or not one.is_certain or len(values) != one.size:
        return None
    names = dict(zip("ABCD", values, strict=False))
    return repr(float(_evaluate(ast.parse(one.formula, mode="eval").body, names)))


def _evaluate(node: ast.expr, names: dict[str, int]) -> float:
    """The four operations on numbers and the bytes A to D."""
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        return node.value
    if isinstance(node, ast.Name):
        return names[node.id]
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.BitAnd):
        return int(_evaluate(node.left, names)) & int(_evaluate(node.right, names))
    if isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
        return _OPERATORS[type(node.op)](_evaluate(node.left, names), _evaluate(node.right, names))
    raise ValueError("a formula of the vocabulary holds something else than the four operations")
