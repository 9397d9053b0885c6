"""Questions: asked once, answered beside the file, remembered in the journal, used again at a rebuild."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline import ingest
from pipeline.ingest.journal import read_entries
from pipeline.settings import Home
from tests.load.conftest import Rows

Write = Callable[..., Path]
READINGS = "scan_id,parameter,value,unit\n1,Luftmasse,566,mg/Hub\n1,engine_speed,700,rpm\n"
LAYOUT = """
name = "plain_list"
feeds = ["readings"]
[match]
headers = ["Item", "Result"]
[constants]
reader = "Plain list"
scan_id = "7"
[long]
parameter = "Item"
value = "Result"
unit = "In"
"""


def _answer(path: Path, answer: str) -> None:
    path.write_text(
        path.read_text(encoding="utf-8").replace('answer = ""', f'answer = "{answer}"', 1), encoding="utf-8"
    )


def test_a_label_with_several_meanings_waits_with_its_question(home: Home, rows: Rows) -> None:
    (home.inbox / "r.csv").write_text(READINGS, encoding="utf-8")
    report = ingest.load(home, [])
    assert report.needs_person
    assert report.files[0].taken == 0
    assert "may mean air_mass_flow or air_mass_per_stroke" in report.files[0].questions[0]
    assert rows("select count(*) from raw.readings") == [(0,)]
    beside = home.inbox / "r.csv.question.toml"
    (question,) = tomllib.loads(beside.read_text(encoding="utf-8"))["question"]
    assert question["choices"] == ["air_mass_flow", "air_mass_per_stroke"]
    _answer(beside, "air_mass_per_stroke")
    assert [f.taken for f in ingest.load(home, []).files] == [2]
    assert rows("select parameter, value from raw.readings order by line")[0] == (
        "air_mass_per_stroke",
        566.0,
    )
    assert not list(home.inbox.iterdir())
    (entry,) = read_entries(home, "answer")
    assert (entry["file"], entry["answer"]) == ("r.csv", "air_mass_per_stroke")
    ingest.rebuild_raw(home)
    assert rows("select count(*) from raw.readings") == [(2,)]


def test_an_answer_that_is_no_choice_is_not_taken(home: Home) -> None:
    (home.inbox / "r.csv").write_text(READINGS, encoding="utf-8")
    ingest.load(home, [])
    beside = home.inbox / "r.csv.question.toml"
    _answer(beside, "rail_pressure")
    assert ingest.load(home, []).files[0].questions
    beside.write_text("not toml [", encoding="utf-8")
    assert ingest.load(home, []).files[0].questions
    assert "choices" in beside.read_text(encoding="utf-8")


def test_a_tidy_files_answer_holds_for_that_file_alone(home: Home) -> None:
    for name in ("a.csv", "b.csv"):
        (home.inbox / name).write_text(READINGS + f"1,engine_speed,7{ord(name[0])},rpm\n", encoding="utf-8")
    ingest.load(home, [])
    _answer(home.inbox / "a.csv.question.toml", "air_mass_per_stroke")
    report = ingest.load(home, [])
    assert [bool(f.questions) for f in report.files] == [False, True]


def test_a_layouts_answer_holds_for_its_later_files(home: Home, write: Write, rows: Rows) -> None:
    (home.layouts / "plain_list.toml").write_text(LAYOUT, encoding="utf-8")
    first = write("first.csv", "Item,Result,In\nLuftmasse,566,mg/Hub\nRaildruck,281,zbar\n")
    asked = ingest.load(home, [first]).files[0].questions
    assert [bool(re.search("air_mass|'zbar'", q)) for q in asked] == [True, True]
    waiting = home.inbox / "first.csv"
    assert waiting.read_bytes() == first.read_bytes()
    beside = home.inbox / "first.csv.question.toml"
    _answer(beside, "air_mass_per_stroke")
    assert len(ingest.load(home, []).files[0].questions) == 1
    _answer(beside, "bar")
    assert ingest.load(home, []).files[0].taken == 2
    second = write("second.csv", "Item,Result,In\nLuftmasse,570,mg/Hub\nRaildruck,290,zbar\n")
    assert ingest.load(home, [second]).files[0].taken == 2
    assert rows("select value from raw.readings where parameter = 'rail_pressure' order by 1") == [
        (pytest.approx(28.1),),
        (pytest.approx(29.0),),
    ]


def test_a_question_that_comes_up_late_leaves_nothing_behind(
    home: Home, write: Write, rows: Rows, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.read.delimited.BLOCK_BYTES", 2000)
    body = "".join(f"1,engine_speed,{n},rpm\n" for n in range(700, 1000))
    path = write("r.csv", "scan_id,parameter,value,unit\n" + body + "1,Ladedruck,100,kPa\n")
    report = ingest.load(home, [path, write("n.csv", "van,at,text\n1,2026-03-02,a\n")])
    assert [(f.taken, bool(f.questions)) for f in report.files] == [(0, True), (1, False)]
    assert rows("select count(*) from raw.readings") == [(0,)]
    assert rows("select file from raw.files") == [("n.csv",)]


def test_names_in_a_question_cannot_break_its_file(home: Home) -> None:
    name = 'a "quoted"\\ [name].csv'
    (home.inbox / name).write_text(READINGS.replace("Luftmasse", '"Luftmasse\n[x]\t""\\"'), encoding="utf-8")
    (home.inbox / "b.csv").write_text(READINGS.replace("Luftmasse", "Luft\\masse"), encoding="utf-8")
    ingest.load(home, [])
    for path in home.inbox.glob("*.question.toml"):
        assert tomllib.loads(path.read_text(encoding="utf-8"))


def test_journal_entries_are_one_json_object_each(home: Home) -> None:
    (home.inbox / "r.csv").write_text(READINGS, encoding="utf-8")
    ingest.load(home, [])
    _answer(home.inbox / "r.csv.question.toml", "air_mass_flow")
    ingest.load(home, [])
    for path in home.journal.iterdir():
        assert json.loads(path.read_text(encoding="utf-8"))["at"].endswith("Z")
