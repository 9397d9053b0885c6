"""Work set going from a page: in its own process, limited, watched, its faults in words, its build seen at once."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.parts import jobs, processes
from dashboard.parts.processes import Step
from dashboard.parts.work import BUILD, load_and_build
from dashboard.questions.warehouse import open_warehouse
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.load.conftest import DATA
from tests.patience import PATIENCE_S


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Home, jobs.Job]:
    """A home whose inbox was loaded and built by a job."""
    home = Home(tmp_path_factory.mktemp("home")).ensure()
    for file in DATA.glob("*.csv"):
        shutil.copy(file, home.inbox)
    job = jobs.start(home.path, "Load and build", (load_and_build(),))
    assert job.ended.wait(PATIENCE_S)
    return home, job


def test_a_job_loads_and_builds_and_the_new_build_is_seen_without_a_restart(
    loaded: tuple[Home, jobs.Job],
) -> None:
    home, job = loaded
    assert (job.state, job.trouble) == ("done", "")
    files = {f["file"]: f["taken"] for f in job.answers[0].as_json()["files"]}
    assert files["readings.csv"] == 6
    first = open_warehouse(home)
    assert first.ask("describe_build").height == 1
    (home.inbox / "notes.csv").write_text("van,at,text\n041,2026-03-05T10:00,smells hot\n", encoding="utf-8")
    again = jobs.start(home.path, "Load and build", (load_and_build(),))
    assert again.ended.wait(PATIENCE_S)
    assert open_warehouse(home).build_id != first.build_id


def test_progress_comes_as_lines(loaded: tuple[Home, jobs.Job]) -> None:
    _, job = loaded
    title, at, share = job.progress
    assert title == BUILD.title
    assert at
    assert share is not None
    assert 0 < share <= 1


def test_a_load_that_cannot_be_built_is_kept_and_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = Home(tmp_path / "home").ensure()
    monkeypatch.setenv("KINBAY_HOME", str(home.path))
    shutil.copy(DATA / "readings.csv", home.inbox)
    job = jobs.start(home.path, "Load and build", (load_and_build(),))
    assert job.ended.wait(PATIENCE_S)
    assert job.state == "failed"
    assert job.trouble.startswith("There is nothing to build")
    assert job.answers[0].as_json()["files"][0]["taken"] == 6
    at = AppTest.from_function(_page, default_timeout=PATIENCE_S)
    at.session_state["work_job"] = job
    at.run()
    assert "What was loaded or saved is kept" in at.caption[0].value


def test_a_correction_that_cannot_be_built_is_kept_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = Home(tmp_path / "home").ensure()
    monkeypatch.setenv("KINBAY_HOME", str(home.path))
    shutil.copy(DATA / "readings.csv", home.inbox)
    job = jobs.start(home.path, "Save", (Step("Saving", ("load",), PATIENCE_S), BUILD))
    assert job.ended.wait(PATIENCE_S)
    assert (job.state, len(job.answers)) == ("failed", 2)
    at = AppTest.from_function(_page, default_timeout=PATIENCE_S)
    at.session_state["work_job"] = job
    at.run()
    assert "What was loaded or saved is kept" in at.caption[0].value


def test_a_fault_is_said_in_words_with_a_reference(tmp_path: Path) -> None:
    home = Home(tmp_path / "home").ensure()
    job = jobs.start(home.path, "Build", (BUILD,))
    assert job.ended.wait(PATIENCE_S)
    assert job.state == "failed"
    assert "There is nothing to build" in job.trouble
    assert len(job.reference) == 6
    with pytest.raises(KinbayError, match="No loaded file is called that"):
        jobs.run_now(home.path, "withdraw", "nothing.csv", "--why", "x")


def test_what_takes_too_long_is_stopped(tmp_path: Path) -> None:
    home = Home(tmp_path / "home").ensure()
    job = jobs.start(home.path, "Build", (Step("Building", ("build",), seconds=0.05),))
    assert job.ended.wait(PATIENCE_S)
    assert job.state == "failed"
    assert "took longer than 0 seconds and was stopped" in job.trouble
    assert not any(str(home.path).encode() in line for line in _list_running())


def _list_running() -> Iterator[bytes]:
    """The command lines of all processes; others end while they are read."""
    for file in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):
            yield file.read_bytes()


def test_memory_is_limited(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = Home(tmp_path / "home").ensure()
    monkeypatch.setattr(
        processes, "MEMORY_SHARE", 100e6 / (os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"))
    )
    job = jobs.start(home.path, "Load", (load_and_build(),))
    assert job.ended.wait(PATIENCE_S)
    assert job.state == "failed"
    assert "as when memory runs out" in job.trouble


def _page() -> None:
    import streamlit as st

    from dashboard.parts.work import BUILD, show_work, start

    if st.button("go"):
        start("Build", (BUILD,))
    show_work()


def test_a_page_shows_the_work_and_its_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = Home(tmp_path / "home").ensure()
    monkeypatch.setenv("KINBAY_HOME", str(home.path))
    at = AppTest.from_function(_page, default_timeout=PATIENCE_S).run()
    assert not at.error
    at.button[0].click().run()
    job = jobs.latest(home.path)
    assert job is not None
    assert job.ended.wait(PATIENCE_S)
    at.run()
    assert "not done. There is nothing to build" in at.error[0].value
    assert job.reference in at.caption[0].value
    assert json.dumps(str(tmp_path)) not in at.error[0].value


def test_a_crash_is_never_taken_for_work_that_left_something_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The interpreter leaves with 1 on a fault nobody foresaw, as a command does that leaves something for a person."""
    home = Home(tmp_path / "home").ensure()
    (tmp_path / "pipeline").mkdir()
    (tmp_path / "pipeline" / "__init__.py").touch()
    (tmp_path / "pipeline" / "__main__.py").write_text("raise ValueError('secret path')\n", encoding="utf-8")
    monkeypatch.setattr(processes, "_environment", lambda: {**os.environ, "PYTHONPATH": str(tmp_path)})
    job = jobs.start(home.path, "Load", (load_and_build(),))
    assert job.ended.wait(PATIENCE_S)
    assert (job.state, job.answers[0].code) == ("failed", 1)
    assert "secret" not in job.trouble
