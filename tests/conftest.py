"""Homes that several tests read, made once for all workers; and the order in which tests start."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings
from typer.testing import CliRunner

import demo_warehouse.generate
from dashboard.cli import app
from demo_warehouse.generate import DemoFleet
from pipeline import ingest
from pipeline.settings import Home
from pipeline.warehouse.lock import hold
from tests.patience import PATIENCE_S

# A busy machine is no fault of the code: examples are judged by their result, not by their milliseconds.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

# Started first, so that no worker is left alone with a long one at the end.
LONGEST = ("tests/packaging/", "tests/dashboard/test_browser.py", "tests/demo/", "tests/commands/")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; the rest stays in its order, so that what a file shares is made once."""
    ranks = {name: rank for rank, name in enumerate(LONGEST)}
    items.sort(key=lambda item: next((r for n, r in ranks.items() if item.nodeid.startswith(n)), len(ranks)))


@dataclass(frozen=True)
class Demo:
    """The demo as `kinbay demo --build-only` leaves it: what was made and what loading said; tests only read it."""

    home: Home
    fleet: DemoFleet
    report: ingest.LoadReport


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Demo:
    """The demo, built by the first worker that needs it."""
    base = tmp_path_factory.getbasetemp()
    root = (base if worker_id == "master" else base.parent) / "shared_demo"
    told = root / "demo.pickle"
    with hold(root / "making.lock", wait_s=10 * PATIENCE_S):
        if not told.exists():
            told.write_bytes(pickle.dumps(_make_demo(root)))
    made: Demo = pickle.loads(told.read_bytes())
    return made


def _make_demo(root: Path) -> Demo:
    """Run the command, and keep what it learns of its own two steps."""
    kept: dict[str, object] = {}

    def keeping(name: str, step: object) -> object:
        def run(*args: object, **named: object) -> object:
            kept[name] = step(*args, **named)  # type: ignore[operator]
            return kept[name]

        return run

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(demo_warehouse.generate, "generate", keeping("fleet", demo_warehouse.generate.generate))
        patch.setattr(ingest, "load", keeping("report", ingest.load))
        done = CliRunner().invoke(app, ["demo", "--build-only", "--home", str(root)])
    assert done.exit_code == 0, done.output
    return Demo(Home(root / "demo"), **kept)  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def demo_home(demo: Demo) -> Home:
    """The home of the demo."""
    return demo.home
