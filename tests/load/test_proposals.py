"""Proposals: what is certain is mapped, what is not is asked once, and an accepted layout loads the next file."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline import ingest
from pipeline.cli import app
from pipeline.settings import Home
from tests.load.conftest import Rows

Write = Callable[..., Path]
GERMAN = """\ufeffDepotlogger Ausgabe;;;
Fahrzeug: 047; km-Stand: 201.455;;
Datum;Zeit;Motordrehzahl [1/min];Kühlmitteltemperatur [°C];Raildruck Ist [bar];Luftmasse [mg/Hub]
13.02.2026;07:41:00;1.778,5;−4,5;281,5;450,1
13.02.2026;07:41:01;800;84,0;280,0;449,0
Mittelwert;;1289,2;40,0;280,7;449,5
""".replace("\n", "\r\n")
AMERICAN = "Van,Date,Code,Status\n047,03/04/2026,P0562,stored\n048,03/05/2026,P0299;P0401,present\n"


def _layout(home: Home, path: Path, *more: str) -> tuple[int, dict[str, object]]:
    done = CliRunner().invoke(app, ["layout", str(path), "--json", "--home", str(home.path), *more])
    return done.exit_code, json.loads(done.stdout)


def test_a_german_export_is_understood_but_for_its_air_mass_and_its_reader(
    home: Home, write: Write, rows: Rows
) -> None:
    path = write("depot-1.csv", GERMAN)
    code, found = _layout(home, path)
    assert code == 1
    asked = [(q["kind"], q["subject"]) for q in found["questions"]]  # type: ignore[attr-defined]
    assert asked == [("column_label", "Luftmasse [mg/Hub]"), ("reader", "reader")]
    answers = [
        "--answer",
        "column_label:Luftmasse [mg/Hub]=air_mass_per_stroke",
        "--answer",
        "reader:reader=Depot",
    ]
    code, found = _layout(home, path, *answers, "--accept")
    assert (code, found["complete"]) == (0, True)
    assert (home.layouts / "depot.toml").exists()
    assert ingest.load(home, [write("depot-2.csv", GERMAN.replace("047", "048"))]).files[0].rejects == ()
    assert rows("select van, odometer_km from raw.scans") == [("048", 201455.0)]
    assert rows("select parameter, value from raw.readings where line = 4 order by 1") == [
        ("air_mass_per_stroke", 450.1),
        ("coolant_temp", -4.5),
        ("engine_speed", 1778.5),
        ("rail_pressure", pytest.approx(28.15)),
    ]


def test_a_date_that_can_be_read_in_two_ways_is_asked(home: Home, write: Write) -> None:
    path = write("codes.csv", AMERICAN)
    _, found = _layout(home, path)
    assert "date_order" in [q["kind"] for q in found["questions"]]  # type: ignore[attr-defined]
    assert found["preview"]["taken"] == 0  # type: ignore[index]
    _, found = _layout(home, write("c2.csv", AMERICAN.replace("03/05", "03/25")))
    assert "date_order" not in [q["kind"] for q in found["questions"]]  # type: ignore[attr-defined]
    assert tomllib.loads(found["layout"]["toml"])["time"]["formats"] == ["%m/%d/%Y"]  # type: ignore[index]


def test_answers_stand_beside_the_file(home: Home, write: Write) -> None:
    path = write("codes.csv", AMERICAN)
    _layout(home, path)
    beside = path.with_name("codes.csv.question.toml")
    text = beside.read_text("utf-8")
    (question,) = [q for q in tomllib.loads(text)["question"] if q["kind"] == "date_order"]
    assert question["choices"] == ["day first", "month first"]
    beside.write_text(
        text.replace('answer = ""', 'answer = "month first"', 1).replace('answer = ""', 'answer = "Tool"'),
        "utf-8",
    )
    code, found = _layout(home, path)
    assert (code, found["preview"]["taken"]) == (0, 5)  # type: ignore[index]


def test_an_unknown_file_in_the_inbox_is_answered_there_and_its_kind_loads_by_itself(
    home: Home, rows: Rows
) -> None:
    (home.inbox / "codes.csv").write_text(AMERICAN, encoding="utf-8")
    asked = ingest.load(home, []).files[0].questions
    assert "No table and no layout fits" in asked[0]
    assert "Proposed: Van = van" in asked[-1]
    assert rows("select count(*) from raw.files") == [(0,)]
    beside = home.inbox / "codes.csv.question.toml"
    for kind, answer in (("date_order", "day first"), ("reader", "Tool"), ("accept", "yes")):
        text = beside.read_text("utf-8")
        start = text.index(f'kind = "{kind}"')
        beside.write_text(
            text[:start] + text[start:].replace('answer = ""', f'answer = "{answer}"', 1), "utf-8"
        )
    assert [(f.layout, f.taken, f.questions) for f in ingest.load(home, []).files] == [("codes", 5, ())]
    assert not list(home.inbox.iterdir())
    assert rows("select distinct scanned_at::varchar from raw.scans order by 1") == [
        ("2026-04-03 00:00:00",),
        ("2026-05-03 00:00:00",),
    ]
    (home.inbox / "codes-2.csv").write_text(AMERICAN.replace("047", "049"), encoding="utf-8")
    assert ingest.load(home, []).files[0].taken == 2
    assert ingest.rebuild_raw(home) == 2
    assert rows("select count(*) from raw.scans") == [(3,)]


def test_an_unknown_file_that_is_not_accepted_keeps_waiting(home: Home, rows: Rows) -> None:
    (home.inbox / "codes.csv").write_text(AMERICAN, encoding="utf-8")
    ingest.load(home, [])
    beside = home.inbox / "codes.csv.question.toml"
    text = beside.read_text("utf-8")
    start = text.index('kind = "accept"')
    beside.write_text(text[:start] + text[start:].replace('answer = ""', 'answer = "no"', 1), "utf-8")
    assert ingest.load(home, []).needs_person
    assert rows("select count(*) from raw.files") == [(0,)]
    assert not list(home.layouts.iterdir())
