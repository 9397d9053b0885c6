"""Parts that work is done on: which readings start afresh after it, and which need no relearn."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from functools import cache
from typing import Any

from pipeline.vocabulary.names import fold
from pipeline.vocabulary.records import read_text


@cache
def _read() -> dict[str, Any]:
    return tomllib.loads(read_text("parts.toml"))


def part_rows() -> Iterable[tuple[str, str | None]]:
    """Every word of a part, folded, with each reading that it bears on; without one where it bears on none."""
    for row in _read()["part"]:
        for word in row["words"]:
            for key in row["parameters"] or [None]:
                yield fold(word), key


@cache
def may_need_relearn(part: str) -> bool:
    """Whether a control unit may have to be taught after work on this part; so it is with a part nobody knows.

    >>> may_need_relearn("egr_valve"), may_need_relearn("Thermostat housing")
    (True, False)
    """
    text = f" {fold(part)} "
    named = {word for word, _ in part_rows() if f" {word} " in text}
    return not named or not named <= {fold(word) for word in _read()["no_relearn"]}
