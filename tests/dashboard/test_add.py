"""Adding data in the dashboard: checked, shown before it is taken, refused rows told, questions answered on screen."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from playwright.sync_api import expect
from streamlit.testing.v1 import AppTest

from dashboard.parts import jobs
from dashboard.parts.meanings import FIELDS
from dashboard.parts.uploads import MOST_FILES, drop, keep_uploads, move_to_inbox, safe_name
from dashboard.parts.waiting import list_waiting
from pipeline import ingest
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page, read_page
from tests.dashboard.tab import Visit
from tests.load.conftest import DATA
from tests.patience import PATIENCE_S

NOTES = b"van,at,text,who\n041,2026-03-05T10:00,<b>smells</b> hot,Ana\n042,nonsense,x,y\n"


class Sent(io.BytesIO):
    """An uploaded file."""

    def __init__(self, name: str, content: bytes, size: int | None = None) -> None:
        super().__init__(content)
        self.name = name
        self.size = len(content) if size is None else size


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(tmp_path / "home").ensure()


@given(st.text(max_size=200))
def test_no_name_leads_out_of_its_folder(name: str) -> None:
    safe = safe_name(name)
    assert safe
    assert not safe.startswith(".")
    assert Path(safe).name == safe
    assert len(safe) <= 120


def test_files_are_kept_apart_until_they_are_wanted(home: Home) -> None:
    given_files = [
        Sent("../../notes.csv", NOTES), Sent("notes.csv", NOTES), Sent("empty.csv", b""),
        Sent("huge.csv", b"x", 10**12), Sent("a.csv.question.toml", b"x"),
    ]  # fmt: skip
    kept = keep_uploads(home, given_files)
    assert [f.name for f in kept.files] == ["notes.csv", "notes 2.csv"]
    assert ["empty" in kept.refused[0], "larger than" in kept.refused[1], "questions" in kept.refused[2]] == [
        True
    ] * 3
    assert ingest.load(home, []).files == ()
    moved = move_to_inbox(home, kept)
    assert sorted(p.name for p in home.inbox.glob("*.csv")) == ["notes 2.csv", "notes.csv"]
    assert moved[0].read_bytes() == NOTES
    assert not kept.folder.exists()


def test_too_many_files_are_refused_and_dropped_ones_are_gone(home: Home) -> None:
    kept = keep_uploads(home, [Sent(f"{n}.csv", b"a") for n in range(MOST_FILES + 2)])
    assert (len(kept.files), len(kept.refused)) == (MOST_FILES, 2)
    drop(kept)
    assert not kept.folder.exists()


def test_a_trial_says_what_would_happen_and_stores_nothing(home: Home) -> None:
    kept = keep_uploads(home, [Sent("notes.csv", NOTES)])
    answer = jobs.run_now(home.path, "load", str(kept.files[0]), "--trial", "--json")
    (file,) = answer.as_json()["files"]
    assert (file["taken"], file["rejected"], file["table"]) == (1, 1, "notes")
    assert [p for p in home.originals.iterdir() if not p.name.startswith(".")] == []
    report = ingest.load(home, [kept.files[0]])
    assert (report.files[0].taken, report.batch_id) == (1, 1)
    again = ingest.load(home, list(keep_uploads(home, [Sent("notes.csv", NOTES)]).files), trial=True)
    assert (again.files[0].taken, again.files[0].duplicates) == (0, 1)


def _ask(home: Home) -> Path:
    """A file whose label has two meanings waits in the inbox."""
    ingest.load(home, [DATA])
    file = home.inbox / "readings.csv"
    file.write_text("scan_id,parameter,value\na-1001,battery voltage,12.4\n", encoding="utf-8")
    ingest.load(home, [])
    return file


def test_a_question_is_answered_by_command(home: Home) -> None:
    file = _ask(home)
    (waiting,) = list_waiting(home)
    (question,) = waiting.questions
    assert len(question["choices"]) > 1
    with pytest.raises(KinbayError, match="none of the choices"):
        jobs.run_now(home.path, "answer", waiting.name, question["subject"], "nonsense")
    with pytest.raises(KinbayError, match="No file of that name waits"):
        jobs.run_now(home.path, "answer", "../fleet.toml", "a", "b")
    jobs.run_now(home.path, "answer", waiting.name, question["subject"], question["choices"][0])
    report = ingest.load(home, [])
    assert report.files[0].taken == 1
    assert not file.exists()
    assert list_waiting(home) == []


def test_waiting_files_ask_on_the_page(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    _ask(home)
    started: list[str] = []

    def start(title: str) -> Any:
        started.append(title)

    monkeypatch.setattr("dashboard.parts.waiting.start_load_and_build", start)
    at = open_page(home.path, "add", monkeypatch)
    assert "may mean" in read_page(at)
    box = next(b for b in at.main.selectbox if b.label.startswith("Answer for"))
    box.select_index(0).run()
    next(b for b in at.main.button if b.label == "Answer and load").click().run()
    assert started == ["Answered; load and compare"]
    assert ingest.load(home, []).files[0].taken == 1


def test_who_may_only_look_cannot_add(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboard.parts.roles.may", lambda act: act == "view")
    at = open_page(own_fleet.home, "add", monkeypatch)
    assert "You may look, but not add data" in read_page(at)


LOOSE = "Wagen;Datum;Foo;Kühlmitteltemperatur [°C];Motor\n" + "".join(
    f"047;0{n}.03.2026 08:00;{n},5;8{n},5;M{n}\n" for n in (1, 2)
)


def _finish(at: AppTest) -> AppTest:
    """Wait for the job under way and draw the page anew until nothing is under way."""
    for _ in range(6):
        job = at.session_state["add_trial_job"]
        assert job.ended.wait(PATIENCE_S)
        at.run()
        if at.session_state["add_trial_job"] is job:
            return at
    raise AssertionError("jobs without end")


def _box(at: AppTest, label: str) -> Any:
    return next(b for b in at.main.selectbox if b.label.replace("\\", "") == label)


def test_a_file_of_an_unknown_kind_is_described_and_its_kind_is_remembered(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[tuple[str, ...]] = []
    monkeypatch.setattr("dashboard.parts.work.start", lambda _, steps: started.extend(s.args for s in steps))
    file = home.inbox / "loose.csv"
    file.write_text(LOOSE, encoding="utf-8")
    ingest.load(home, [])
    at = open_page(home.path, "add", monkeypatch)
    next(b for b in at.main.button if b.label == "Look at it").click().run()
    at = _finish(at)
    said = read_page(at)
    assert "Say once how **loose.csv** is to be read" in said
    assert "How is the date '01.03.2026 08:00' in 'Datum' to be read?" in said
    assert "For example 1,5; 2,5. Not taken: no name that is known." in said
    assert _box(at, "Kühlmitteltemperatur [°C]").value == "coolant_temp"
    assert "Take 0 rows, ask about 1 file" in [b.label for b in at.main.button]
    _box(at, "Foo").set_value("air_mass_flow")
    _box(at, "Answer").set_value("day first")
    at.main.text_input(key="describe_reader_reader").set_value("Depot logger")
    next(t for t in at.main.text_input if t.label.startswith("What this kind")).set_value("depot_logger")
    next(b for b in at.main.button if b.label == "Read it like this").click().run()
    at = _finish(at)
    assert "The file gives no unit for 'Foo'" in read_page(at)
    _box(at, "Unit of Foo").set_value("g/s")
    next(b for b in at.main.button if b.label == "Read it like this").click().run()
    at = _finish(at)
    assert "Read as scans, readings by the layout depot_logger: 6 rows would be taken" in read_page(at)
    assert not list(home.layouts.glob("*.toml"))
    next(b for b in at.main.button if b.label == "Take 6 rows").click().run()
    assert started == [("load", str(file), "--build", "--json")]
    assert ingest.load(home, [file]).files[0].taken == 6
    assert [p.name for p in home.layouts.glob("*.toml")] == ["depot_logger.toml"]
    (home.inbox / "other.csv").write_text(LOOSE.replace("047", "048"), encoding="utf-8")
    assert ingest.load(home, []).files[0].layout == "depot_logger"


def test_every_column_a_proposal_may_name_has_words() -> None:
    from pipeline.propose.names import field_names

    assert set(field_names().values()) == set(FIELDS)


def _upload(visit: Visit, name: str, content: bytes) -> None:
    """Hand a file over and have it looked at, once the page has it."""
    visit.page.set_input_files("input[type=file]", {"name": name, "mimeType": "text/csv", "buffer": content})
    visit.page.get_by_role("button", name="Look at the files").click()


def _drop(visit: Visit) -> None:
    visit.page.get_by_role("button", name="Drop them").click()
    visit.page.get_by_role("button", name="Look at the files").wait_for()
    visit.settle()


def test_an_upload_is_looked_at_before_it_is_taken(visit: Visit) -> None:
    visit.open("add_data")
    _upload(visit, "<img src=x> notes.csv", NOTES)
    visit.page.get_by_text("What would happen").wait_for()
    expect(visit.main).to_contain_text("1 row would be taken, 1 refused")
    visit.settle()
    assert visit.main.locator("img").count() == 0
    _drop(visit)
    _describe_in_the_browser(visit)
    visit.assert_quiet()


def _describe_in_the_browser(visit: Visit) -> None:
    """An upload of an unknown kind: its columns are decided, what that asks is answered, and it could be taken."""
    _upload(visit, "loose.csv", LOOSE.encode())
    visit.page.get_by_text("A file of a kind not met before").wait_for()
    visit.settle()
    visit.choose("Foo", "Air mass flow, g/s")
    visit.choose("Answer", "day first")
    visit.choose("Reader", "Yard tablet")
    visit.page.get_by_role("button", name="Read it like this").click()
    visit.page.get_by_text("The file gives no unit for").wait_for()
    visit.settle()
    visit.choose("Unit of Foo", "g/s")
    visit.page.get_by_role("button", name="Read it like this").click()
    visit.page.get_by_role("button", name="Take 6 rows").wait_for()
    _drop(visit)
