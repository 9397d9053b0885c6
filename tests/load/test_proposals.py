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


LOOSE = "Wagen,Zeit,Foo,Bar,Coolant temp [°C]\n047,2026-03-02T08:00:00Z,1.2,nb,84\n047,2026-03-02T08:01:00Z,1.3,nb,85\n"


def test_what_a_person_says_of_a_column_goes_before_its_name(home: Home, write: Write) -> None:
    path = write("loose.csv", LOOSE)
    _, found = _layout(home, path)
    by_name = {m["column"]: m for m in found["mapping"]}  # type: ignore[attr-defined]
    assert by_name["Foo"]["confidence"] == "left out"
    assert by_name["Foo"]["examples"] == ["1.2", "1.3"]
    told = ["column:Foo=idle_torque_loss", "column:Coolant temp [°C]=coolant_temp"]
    told_args = [part for one in told for part in ("--answer", one)]
    refused = CliRunner().invoke(app, ["layout", str(path), "--home", str(home.path), *told_args])
    assert refused.exception is not None
    assert "neither a reading nor a column" in str(refused.exception)
    told = [
        "column:Foo=air_mass_flow",
        "column:Coolant temp [°C]=not taken",
        "column_unit:Foo=g/s",
        "reader:reader=R",
    ]
    told_args = [part for one in told for part in ("--answer", one)]
    code, found = _layout(home, path, *told_args)
    by_name = {m["column"]: m for m in found["mapping"]}  # type: ignore[attr-defined]
    assert (code, by_name["Foo"]["parameter"]) == (0, "air_mass_flow")
    assert (by_name["Coolant temp [°C]"]["confidence"], by_name["Coolant temp [°C]"]["how"]) == (
        "left out",
        "as told",
    )
    assert [m["column"] for m in found["mapping"]] == ["Wagen", "Zeit", "Foo", "Bar", "Coolant temp [°C]"]  # type: ignore[attr-defined]
    answers = {(q["kind"], q["subject"]): q["answer"] for q in found["questions"]}  # type: ignore[attr-defined]
    assert answers["column", "Foo"] == "air_mass_flow"
    code, found = _layout(
        home, path, "--answer", "column:Coolant temp [°C]=", "--answer", "name:layout=loose_logger"
    )
    by_name = {m["column"]: m for m in found["mapping"]}  # type: ignore[attr-defined]
    assert by_name["Coolant temp [°C]"]["how"] != "as told"
    assert found["name"] == "loose_logger"


def test_on_trial_an_accepted_layout_reads_every_file_of_the_load_and_is_not_kept(
    home: Home, write: Write, rows: Rows
) -> None:
    first = write("a.csv", LOOSE.replace("047", "049"))
    path = write("z.csv", LOOSE)
    told = [
        "column:Foo=air_mass_flow",
        "column_unit:Foo=g/s",
        "column:Coolant temp [°C]=not taken",
        "reader:reader=R",
    ]
    _layout(
        home,
        path,
        *[p for one in [*told, "accept:layout=yes", "name:layout=loose"] for p in ("--answer", one)],
    )
    tried = ingest.load(home, [first, path], trial=True).files
    assert {(f.file, f.layout, f.taken) for f in tried} == {("a.csv", "loose", 3), ("z.csv", "loose", 3)}
    assert not list(home.layouts.glob("*.toml"))
    assert {f.taken for f in ingest.load(home, [first, path]).files} == {3}
    assert [p.name for p in home.layouts.glob("*.toml")] == ["loose.toml"]
    assert rows("select parameter, count(*) from raw.readings group by 1") == [("air_mass_flow", 4)]


def test_where_no_column_is_known_each_may_be_told(home: Home, write: Write) -> None:
    path = write("strange.csv", "A,B,C\n047,2026-03-02 08:00,84\n048,2026-03-02 08:05,85\n")
    refused = CliRunner().invoke(app, ["layout", str(path), "--home", str(home.path)])
    assert "No column of the file is known" in str(refused.exception)
    code, found = _layout(home, path, "--ask-columns")
    assert (code, next(q["kind"] for q in found["questions"])) == (1, "columns")  # type: ignore[attr-defined]
    told = ["column:A=van", "column:B=at", "column:C=coolant_temp", "column_unit:C=°C", "reader:reader=R"]
    code, found = _layout(home, path, "--ask-columns", *[p for one in told for p in ("--answer", one)])
    assert (code, found["preview"]["taken"]) == (0, 4)  # type: ignore[index]


def test_a_label_of_a_long_file_may_be_told_or_left_out(home: Home, write: Write) -> None:
    text = "van,at,Signal,Value,Unit\n" + "".join(
        f"047,2026-03-02T08:00:0{n}Z,{label},{value},{unit}\n"
        for n, (label, value, unit) in enumerate(
            [("T1", "84", "°C"), ("engine speed", "800", "rpm"), ("T2", "9", "°C")]
        )
    )
    told = ["column:T1=coolant_temp", "column:T2=not taken", "reader:reader=R"]
    code, found = _layout(home, write("long.csv", text), *[p for one in told for p in ("--answer", one)])
    assert code == 0
    table = found["layout"]["object"]  # type: ignore[index]
    assert table["long"]["labels"]["T1"] == "coolant_temp"
    assert table["skip"] == [{"column": "Signal", "words": ["T2"]}]
    assert (found["preview"]["tables"]["readings"]["taken"], found["preview"]["rejected"]) == (2, 0)  # type: ignore[index]
