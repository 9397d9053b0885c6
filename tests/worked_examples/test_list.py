"""The page docs/worked_examples.md says truly what is run, and by which test."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
PAGE = (ROOT / "docs" / "worked_examples.md").read_text("utf-8")
ROW = re.compile(r"^\| `([A-Za-z0-9_]+)` \| ([^|]+) \| ([^|]+) \| ([^|]+) \|$", re.MULTILINE)
TEST = re.compile(r"`(tests/[\w/]+\.py)::(\w+)`")
EXAMPLES = 47
NOT_EXAMPLES = {"test_list.py", "test_vocabulary_vectors.py"}


def _rows() -> list[tuple[str, str, str, str]]:
    return ROW.findall(PAGE)


def _tests_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text("utf-8"))
    return {n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name.startswith("test_")}


def test_every_example_is_listed_once() -> None:
    names = [name for name, *_ in _rows()]
    assert len(names) == len(set(names)) == EXAMPLES
    assert len([line for line in PAGE.splitlines() if line.startswith("| `")]) == EXAMPLES


def test_every_state_is_a_test_or_a_reason() -> None:
    for name, method, source, state in _rows():
        assert len(method) > 5, name
        assert len(source) > 5, name
        if state.startswith("run by "):
            assert TEST.search(state), name
        else:
            assert state.startswith("not yet, because "), name
            assert len(state.removeprefix("not yet, because ")) > 20, name


def test_every_named_test_exists() -> None:
    named = TEST.findall(PAGE)
    assert len(named) > 20
    for path, function in named:
        assert function in _tests_in(ROOT / path), f"{path}::{function}"


def test_every_test_here_is_named_on_the_page() -> None:
    named = {
        (Path(path).name, function) for path, function in TEST.findall(PAGE) if "worked_examples" in path
    }
    here = {
        (path.name, function)
        for path in HERE.glob("test_*.py")
        if path.name not in NOT_EXAMPLES
        for function in _tests_in(path)
    }
    assert named == here


def test_every_example_with_data_here_is_run_here() -> None:
    stored = {
        name
        for path in (HERE / "data").glob("*.json")
        if path.name != "vectors.json"
        for name in json.loads(path.read_text("utf-8"))
    }
    stored |= {path.stem for path in (HERE / "data" / "fleets").glob("*.toml")}
    run_here = {name for name, _, _, state in _rows() if state.startswith("run by `tests/worked_examples/")}
    assert stored == run_here
