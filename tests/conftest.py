"""Homes that several tests read: the demo fleet, loaded and built once."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings
from typer.testing import CliRunner

from dashboard.cli import app
from pipeline.settings import Home

# A busy machine is no fault of the code: examples are judged by their result, not by their milliseconds.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


@pytest.fixture(scope="session")
def demo_home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """The demo fleet as `kinbay demo --build-only` leaves it; tests only read it."""
    root: Path = tmp_path_factory.mktemp("demo_home")
    done = CliRunner().invoke(app, ["demo", "--build-only", "--home", str(root)])
    assert done.exit_code == 0, done.output
    return Home(root / "demo")
