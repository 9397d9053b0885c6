"""The published inputs and results, read from data/*.json: one file per subject, one entry per example."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

DATA = Path(__file__).parent / "data"


@pytest.fixture
def example() -> Callable[[str], dict[str, Any]]:
    """Return a reader of one example: its `inputs`, `expected` and `source`."""
    found: dict[str, dict[str, Any]] = {}
    for path in sorted(DATA.glob("*.json")):
        found |= json.loads(path.read_text("utf-8"))
    return lambda name: found[name]
