"""A home in a temporary folder, a clock that stands still, and the rows of the raw store as plain values."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.settings import Home

NOW = datetime(2026, 11, 25, 12, 0)
DATA = Path(__file__).parent / "data"
Rows = Callable[[str], list[tuple[Any, ...]]]


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Home:
    monkeypatch.setattr("pipeline.ingest.loading.utc_now", lambda: NOW)
    monkeypatch.setattr("pipeline.ingest.withdrawing.utc_now", lambda: NOW)
    return Home(tmp_path / "home").ensure()


@pytest.fixture
def rows(home: Home) -> Rows:
    """Run a query on the raw store."""

    def run(query: str) -> list[tuple[Any, ...]]:
        with duckdb.connect(str(home.work_db), read_only=True) as connection:
            return connection.execute(query).fetchall()

    return run


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a file outside the home; text is UTF-8."""

    def run(name: str, content: str | bytes, folder: Path | None = None) -> Path:
        path = (folder or tmp_path / "given") / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        return path

    return run
