"""What is ready before anybody waits."""

from __future__ import annotations

import ast
import gc
import subprocess
import sys
from pathlib import Path

import pytest

from dashboard import warm
from dashboard.parts.page_files import PAGES
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.fleet import describe_build, list_filter_choices, list_shown_vans
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.settings import Home
from tests.dashboard import fleet as invented
from tests.dashboard.fleet import Fleet


def test_no_page_imports_what_is_not_loaded_by_then() -> None:
    imported = {
        node.module
        for page in PAGES.values()
        for node in ast.walk(ast.parse(page.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module
    }
    told = subprocess.run(
        [sys.executable, "-c", "import sys; from dashboard import warm; warm.load_modules(); print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert imported <= set(told.stdout.split())


def test_what_lives_as_long_as_the_server_is_not_looked_through_again() -> None:
    before = len(gc.get_objects())
    try:
        warm.set_aside()
        assert len(gc.get_objects()) < before / 20
    finally:
        gc.unfreeze()


def test_a_newer_build_is_ready_before_it_is_asked(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    home = Home(own_fleet.home)
    warm.ask_first(home)
    invented.publish(own_fleet.home, build=2, tables=invented.build_tables())
    newest = warm.ask_first(home)
    assert newest != own_fleet.build_id

    def run(_: Warehouse, question: str, given: object) -> None:
        raise AssertionError(f"{question} was not asked before")

    monkeypatch.setattr(Warehouse, "_run", run)
    opened = open_warehouse(home)
    assert describe_build(opened).height == 1
    assert list_filter_choices(opened).height > 0
    assert list_shown_vans(opened, ALL_VANS).height > 0


def test_the_same_build_is_not_asked_again(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Warehouse] = []
    monkeypatch.setattr("dashboard.questions.fleet.describe_build", asked.append)
    home = Home(own_fleet.home)
    build = warm.ask_first(home)
    assert warm.ask_first(home, build) == build
    assert len(asked) == 1


def test_without_a_build_there_is_nothing_to_ask(tmp_path: Path) -> None:
    assert warm.ask_first(Home(tmp_path)) is None
