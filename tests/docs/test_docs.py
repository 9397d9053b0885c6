"""The documentation says what the project does, and no more."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
import typer.main

from dashboard.cli import app
from pipeline.vocabulary import document, document_modules

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]


def test_the_readings_page_is_fresh() -> None:
    assert (ROOT / document.PAGE).read_text(encoding="utf-8") == document.page()
    assert (ROOT / document_modules.PAGE).read_text(encoding="utf-8") == document_modules.page()


def test_every_command_is_in_the_readme_and_the_other_way_round() -> None:
    commands = set(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    assert {"demo", "load", "build", "findings", "serve"} <= commands
    told = set(re.findall(r"`kinbay (\w+)", README))
    assert told == commands


def test_the_readme_has_its_two_commands_and_ci_runs_the_second() -> None:
    assert "pip install uv && uv run kinbay demo\n" in README
    assert "pip install uv && uv run pytest\n" in README
    assert "uv run pytest" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_and_pictures_exist(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), target


def test_no_path_of_a_machine_and_no_download_host_stands_in_the_project() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\n")
    assert "pyproject.toml" in tracked
    assert "uv.lock" not in tracked
    banned = re.compile(rb"/(?:work|root)/(?:main|shared)|/home/[a-z]+/|pythonhosted|registry\.npmjs")
    here = Path(__file__).resolve()
    for name in filter(None, tracked):
        file = ROOT / name
        if file.is_file() and file.resolve() != here:
            assert not banned.search(file.read_bytes()), name
