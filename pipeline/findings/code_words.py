"""Codes in a mechanic's words: what a code is called, what to check, what to mind."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from pipeline import vocabulary
from pipeline.findings import wording

Row = dict[str, Any]
NO_TEXT = "no text known"
_CLEARING = "SC13"


@cache
def _checks() -> dict[str, Any]:
    return tomllib.loads(files("pipeline.findings").joinpath("code_checks.toml").read_text(encoding="utf-8"))


@cache
def _cautions() -> dict[str, dict[str, list[str]]]:
    text = files("pipeline.vocabulary").joinpath("code_cautions.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def is_undescribed(row: Row) -> bool:
    """Say whether nothing is known of a code but its number."""
    return not row["title"] and row["structure"] != "standard"


def name_code(row: Row) -> str:
    """Return the code with its title and module, as it stands inside a sentence."""
    title = row["title"] or (f"the maker's own, {NO_TEXT}" if is_undescribed(row) else "")
    where = f"{row['module']} module" if row["module"] else "module not said"
    return f"{row['code']} ({', '.join(part for part in (title, where) if part)})"


def short_name(code: str, module: str) -> str:
    """Return code and module, for lists."""
    return f"{code} ({module})" if module else code


def say_share(share: float, low: float, high: float) -> str:
    """Return a share with its 95 % interval."""
    return f"{wording.percent(share)}, 95 % interval {wording.percents(low, high)}"


def say_counted(names: Sequence[str], most: int = 3) -> str:
    """Return the first few names and how many more there are."""
    listed = ", ".join(names[:most])
    return f"{listed} and {len(names) - most} more" if len(names) > most else listed


def battery_first() -> str:
    """Return the order of checks where low supply voltage is in question."""
    return str(_checks()["battery_first"])


def next_check(row: Row, kind: str | None = None) -> str:
    """Return the cheapest check for a code; `kind` fleetwide asks about the model rather than the van."""
    if kind is None:
        kind = "undescribed" if is_undescribed(row) else "standard"
    table: dict[str, str] = _checks()[kind]
    return table[max((b for b in table if row["code"].startswith(b)), key=len)]


def cautions_of(codes: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Return the caution lines for these (module, code), each once; that of clearing last."""
    texts = {c.key: c.text for c in vocabulary.cautions()}
    found = []
    for module, code in codes:
        words = module.casefold()
        found += [key for key, begins in _cautions()["codes"].items() if code.startswith(tuple(begins))]
        found += [key for key, names in _cautions()["modules"].items() if any(n in words for n in names)]
    return tuple(texts[key] for key in (*dict.fromkeys(sorted(found)), _CLEARING))
