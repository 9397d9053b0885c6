"""A home in a temporary folder, a clock that stands still, and the rows of the raw store as plain values."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline import ingest
from pipeline.settings import Home

NOW = datetime(2026, 11, 25, 12, 0)
DATA = Path(__file__).parent / "data"
Rows = Callable[[str], list[tuple[Any, ...]]]


def _stop_the_clock(patch: pytest.MonkeyPatch) -> None:
    patch.setattr("pipeline.ingest.loading.utc_now", lambda: NOW)
    patch.setattr("pipeline.ingest.withdrawing.utc_now", lambda: NOW)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Home:
    _stop_the_clock(monkeypatch)
    return Home(tmp_path / "home").ensure()


@pytest.fixture(scope="session")
def example_files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home into which the example files were loaded, and nothing else; tests copy it."""
    home = Home(tmp_path_factory.mktemp("examples") / "home").ensure()
    with pytest.MonkeyPatch.context() as patch:
        _stop_the_clock(patch)
        ingest.load(home, [DATA])
    return home.path


@pytest.fixture
def with_examples(home: Home, example_files: Path) -> None:
    """Have the test's home hold the example files already, as one load before the test's own."""
    shutil.copytree(example_files, home.path, dirs_exist_ok=True)


@pytest.fixture(scope="session")
def onlooker() -> duckdb.DuckDBPyConnection:
    """A DuckDB that work files are attached to for a query: to start one costs ten times as much."""
    return duckdb.connect()


def look(onlooker: duckdb.DuckDBPyConnection, home: Home, query: str) -> list[tuple[Any, ...]]:
    """Run a query on a home's raw store."""
    onlooker.execute(f"attach '{home.work_db}' as looked_at (read_only)")
    try:
        return onlooker.execute("use looked_at").execute(query).fetchall()
    finally:
        onlooker.execute("use memory").execute("detach looked_at")


@pytest.fixture
def rows(home: Home, onlooker: duckdb.DuckDBPyConnection) -> Rows:
    """Run a query on the raw store of the test's home."""
    return lambda query: look(onlooker, home, query)


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a file outside the home; text is UTF-8."""

    def run(name: str, content: str | bytes, folder: Path | None = None) -> Path:
        path = (folder or tmp_path / "given") / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        return path

    return run
