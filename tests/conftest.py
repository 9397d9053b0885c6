"""Homes that several tests read: the demo fleet, loaded and built once."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from dashboard.cli import app
from pipeline.settings import Home


@pytest.fixture(scope="session")
def demo_home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """The demo fleet as `kinbay demo --build-only` leaves it; tests only read it."""
    root: Path = tmp_path_factory.mktemp("demo_home")
    done = CliRunner().invoke(app, ["demo", "--build-only", "--home", str(root)])
    assert done.exit_code == 0, done.output
    return Home(root / "demo")
