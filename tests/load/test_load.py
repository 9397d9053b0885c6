"""Loading tidy files: the contract's example rows, duplicates, rejects, unclear readers, originals, the inbox."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import duckdb
import pytest

from pipeline import ingest
from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.warehouse import lock
from tests.load.conftest import DATA, NOW, Rows

Write = Callable[..., Path]
TABLES = (
    "files", "vans", "van_attributes", "scans", "scan_modules", "readings", "codes", "freeze_frames", "work", "notes",
    "exposures", "limits", "rejects",
)  # fmt: skip


def everything(home: Home) -> dict[str, list[str]]:
    """Every row of the raw store as text, in an order of its own."""
    with duckdb.connect(str(home.work_db), read_only=True) as connection:
        return {t: sorted(map(repr, connection.execute(f"select * from raw.{t}").fetchall())) for t in TABLES}


def test_the_example_rows(home: Home, rows: Rows) -> None:
    (home.path / "fleet.toml").write_text('time_zone = "Europe/Madrid"\n', encoding="utf-8")
    report = ingest.load(home, [DATA])
    assert not report.needs_person
    assert {f.file: (f.table, f.taken) for f in report.files} == {
        "codes.csv": ("codes", 2),
        "exposures.csv": ("exposures", 2),
        "notes.csv": ("notes", 1),
        "readings.csv": ("readings", 6),
        "register.csv": ("register", 2),
        "scans.csv": ("scans", 2),
        "work.csv": ("work", 2),
    }
    assert rows(
        "select van, model, model_year, engine, displacement_l, in_service, vin from raw.vans order by van"
    ) == [
        ("041", "Bracken 22", 2014, "2.2D", 2.2, date(2014, 5, 12), None),
        ("042", "Bracken 22", 2014, "2.2D", 2.2, date(2014, 6, 2), None),
    ]
    assert rows("select van, attribute, value from raw.van_attributes order by all") == [
        ("041", "air_conditioning", "yes"),
        ("041", "parking", "open"),
        ("042", "air_conditioning", "no"),
        ("042", "parking", "shaded"),
    ]
    assert rows(
        "select scan_id, van, reader, scanned_at, odometer_km, rest_v, coverage_known from raw.scans order by 1"
    ) == [
        ("a-1001", "041", "Blue handheld", datetime(2026, 3, 2, 6, 40), 201455.0, 12.55, True),
        ("a-1002", "042", "Yard tablet", datetime(2026, 3, 2, 7, 10), 188020.0, 11.8, True),
    ]
    assert rows("select scan_id, module from raw.scan_modules where not answered") == [("a-1001", "airbag")]
    # 186.8 °F = 86 °C, 172 °F = 77.78 °C, 281 bar = 28.1 MPa (arithmetic).
    assert rows(
        'select line, parameter, value, low, "at", mark, state, quality from raw.readings order by line'
    ) == [
        (2, "engine_speed", 778.0, None, datetime(2026, 3, 2, 6, 41), None, None, "ok"),
        (3, "vehicle_speed", 0.0, None, datetime(2026, 3, 2, 6, 41), None, None, "ok"),
        (
            4,
            "coolant_temp",
            pytest.approx(86.0),
            pytest.approx(77.7778, abs=1e-4),
            datetime(2026, 3, 2, 6, 41),
            None,
            None,
            "ok",
        ),
        (
            5,
            "rail_pressure",
            pytest.approx(28.1),
            pytest.approx(24.0),
            datetime(2026, 3, 2, 6, 41),
            None,
            None,
            "ok",
        ),
        (6, "air_mass_per_stroke", 566.0, None, datetime(2026, 3, 2, 6, 41), "high", None, "ok"),
        (7, "supply_voltage", 14.02, None, None, None, "warm_idle", "ok"),
    ]
    assert rows("select code, structure, status, lamp, text from raw.codes order by line") == [
        ("P0562", "standard", "stored", False, None),
        ("4711", "number", "present", False, "not described"),
    ]
    assert rows("select code, parameter, value from raw.freeze_frames order by 2") == [
        ("P0562", "engine_speed", 0.0),
        ("P0562", "supply_voltage", 10.4),
    ]
    assert rows('select van, "at", what, part, relearn, cost from raw.work order by van') == [
        ("041", datetime(2026, 3, 5, 13, 0), "replaced", "air mass sensor", "done", 148.0),
        ("042", datetime(2026, 3, 2, 8, 30), "charged", "battery", "not_needed", None),
    ]
    assert rows("select value, from_date, to_date from raw.exposures order by from_date") == [
        ("open", date(2025, 1, 1), date(2026, 2, 1)),
        ("shaded", date(2026, 2, 1), None),
    ]


def test_the_report_has_the_contracts_keys(home: Home, write: Write) -> None:
    path = write("r.csv", "scan_id,parameter,value\ns,engine_speed,7OO\n")
    assert ingest.load(home, [path]).as_json() == {
        "files": [
            {
                "file": "r.csv",
                "layout": None,
                "table": "readings",
                "taken": 0,
                "duplicates": 0,
                "rejected": 1,
                "rejects": [
                    {
                        "line": 2,
                        "column": "value",
                        "value": "7OO",
                        "reason": "Not a number",
                        "remedy": "Write a plain number such as 13.8, with a point and without a unit.",
                    }
                ],
                "questions": [],
            }
        ]
    }


@pytest.mark.usefixtures("with_examples")
def test_the_same_file_twice_changes_nothing(home: Home, tmp_path: Path) -> None:
    before, originals = everything(home), sorted(home.originals.iterdir())
    shutil.copy(DATA / "readings.csv", tmp_path / "another name.csv")
    report = ingest.load(home, [DATA, tmp_path / "another name.csv"])
    assert report.batch_id is None
    assert not report.needs_person
    assert sum(f.taken for f in report.files) == 0
    assert sum(f.duplicates for f in report.files) == 17 + 6
    assert everything(home) == before
    assert sorted(home.originals.iterdir()) == originals


@pytest.mark.usefixtures("with_examples")
def test_the_same_rows_in_another_file_are_dropped_and_counted(home: Home, write: Write, rows: Rows) -> None:
    head, *lines = (DATA / "readings.csv").read_text(encoding="utf-8").splitlines()
    same_in_mpa = lines[3].replace("281,bar,240,340", "28.1,MPa,24,34")
    other_value = lines[0].replace("778", "790")
    path = write("again.csv", "\n".join([head, *lines[:3], same_in_mpa, other_value, other_value]) + "\n")
    report = ingest.load(home, [path]).files[0]
    assert (report.taken, report.duplicates, report.rejected) == (1, 5, 0)
    assert rows("select value, batch_id from raw.readings where parameter = 'engine_speed' order by 1") == [
        (778.0, 1),
        (790.0, 2),
    ]


def test_going_back_to_an_older_register_is_news(home: Home, write: Write, rows: Rows) -> None:
    texts = [
        f"van,model,model_year,depot,parking\n047,Bracken 22,2014,{d},{p}\n"
        for d, p in (("A", "x"), ("B", "y"))
    ]
    ingest.load(home, [write("1.csv", texts[0])])
    ingest.load(home, [write("2.csv", texts[1])])
    report = ingest.load(home, [write("3.csv", texts[0] + "\n")])
    assert report.files[0].taken == 1
    assert rows("select depot from raw.vans order by batch_id") == [("A",), ("B",), ("A",)]
    assert rows("select value from raw.van_attributes order by batch_id") == [("x",), ("y",), ("x",)]


def test_rejects_name_line_column_value_reason_and_remedy(home: Home, write: Write, rows: Rows) -> None:
    text = (
        "scan_id,at,parameter,value,unit,low,state\n"
        "s,2026-03-02T07:40:00,engine_spede,700,rpm,,\n"
        '"s\n2",2026-03-02T07:40:00,rail_pressure,1,mbarr,,\n'
        "s,02.03.2026,engine_speed,700,rpm,,\n"
        ",2026-03-02T07:40:00,engine_speed,700,rpm,,\n"
        "s,2026-03-02T07:40:00,engine_speed,,rpm,,\n"
        "s,2026-03-02T07:40:00,engine_speed,700,rpm,x1,warm idel\n"
        "s,2026-03-02T07:40:00,coolant_temp,-40,°C,,warm idle\n"
        "s,2026-03-02T07:40:00,coolant_temp,300,°F,,\n"
    )
    report = ingest.load(home, [write("r.csv", text)]).files[0]
    assert (report.taken, report.rejected, report.without_value) == (3, 4, 1)
    assert [(r.line, r.column, r.value, r.reason) for r in report.rejects] == [
        (2, "parameter", "engine_spede", "No reading of that name is known"),
        (3, "unit", "mbarr", "The unit does not fit rail_pressure, which is kept in MPa"),
        (
            5,
            "at",
            "02.03.2026",
            "The time is not written as ISO 8601, so the order of day and month is in doubt",
        ),
        (6, "scan_id", None, "The row has no scan_id, and not all of van, reader and scanned_at"),
        (8, "low", "x1", "Not a number; the row was kept without it"),
        (8, "state", "warm idel", "The word is not known for state; the row was kept without it"),
    ]
    assert "Did you mean engine_speed?" in report.rejects[0].remedy
    assert "Did you mean bar?" in report.rejects[1].remedy
    assert "Did you mean warm_idle?" in report.rejects[5].remedy
    assert rows("select line, value, quality, state from raw.readings order by line") == [
        (8, 700.0, "ok", None),
        (9, None, "sentinel", "warm_idle"),
        (10, pytest.approx(148.8889, abs=1e-4), "implausible", None),
    ]
    assert rows("select count(*), count(distinct file), min(file) from raw.rejects") == [(6, 1, "r.csv")]


def test_a_scan_keeps_its_row_when_one_cell_is_wrong(home: Home, write: Write, rows: Rows) -> None:
    text = (
        "scan_id,van,reader,scanned_at,ended_at,odometer_mi,ambient_c,modules\n"
        "1,047,Blue handheld,2026-03-02T07:40:00,2026-03-02T07:00:00,100000,cold,engine; brakes;engine\n"
        "2,047,Blue handheld,yesterday,,,,\n"
        "3,047,Blue handheld,2026-03-02T07:40:00,,-5,-,\n"
    )
    report = ingest.load(home, [write("s.csv", text)]).files[0]
    assert (report.taken, report.rejected) == (2, 1)
    assert [(r.line, r.column) for r in report.rejects] == [
        (2, "ended_at"),
        (2, "ambient_c"),
        (3, "scanned_at"),
        (4, "odometer_mi"),
    ]
    # 100,000 mi = 160,934.4 km exactly (international mile).
    assert rows(
        "select scan_id, odometer_km, ambient_c, ended_at, coverage_known from raw.scans order by 1"
    ) == [
        ("1", pytest.approx(160934.4), None, None, True),
        ("3", None, None, None, False),
    ]
    assert rows("select module from raw.scan_modules order by 1") == [("brakes",), ("engine",)]


def test_rows_without_a_scan_id_make_their_scan(home: Home, write: Write, rows: Rows) -> None:
    text = (
        "van,reader,scanned_at,parameter,value\n"
        "047,Blue handheld,2026-03-02T07:40:00,engine_speed,700\n"
        "047,Blue handheld,2026-03-02T08:40:00+01:00,coolant_temp,80\n"
        "047,Blue handheld,,coolant_temp,80\n"
    )
    report = ingest.load(home, [write("r.csv", text)]).files[0]
    assert (report.table, report.taken, report.rejected) == ("readings", 2, 1)
    made = "047|Blue handheld|2026-03-02T07:40:00Z"
    assert rows("select scan_id, van, reader, scanned_at from raw.scans") == [
        (made, "047", "Blue handheld", datetime(2026, 3, 2, 7, 40))
    ]
    assert rows("select distinct scan_id, reader from raw.readings") == [(made, "Blue handheld")]


def test_a_scan_id_of_several_readers_needs_the_reader(home: Home, write: Write, rows: Rows) -> None:
    scans = "scan_id,van,reader,scanned_at\n7,047,Blue handheld,2026-03-02\n7,048,Yard tablet,2026-03-02\n8,048,Yard tablet,2026-03-02\n"
    readings = "scan_id,reader,parameter,value\n7,,engine_speed,700\n7,Yard tablet,engine_speed,701\n8,,engine_speed,702\n"
    report = ingest.load(home, [write("a_readings.csv", readings), write("scans.csv", scans)])
    assert [f.taken for f in report.files] == [2, 3]
    assert [(r.line, r.column, r.value) for r in report.files[0].rejects] == [(2, "reader", "7")]
    assert rows("select scan_id, reader, value from raw.readings order by value") == [
        ("7", "Yard tablet", 701.0),
        ("8", None, 702.0),
    ]


def test_the_van_given_by_a_person_fills_the_gaps(home: Home, write: Write, rows: Rows) -> None:
    path = write("n.csv", "at,text\n2026-03-02,hums\n")
    assert ingest.load(home, [path]).files[0].questions
    assert ingest.load(home, [path], van="047").files[0].taken == 1
    ingest.rebuild_raw(home)
    assert rows("select van, text from raw.notes") == [("047", "hums")]


def test_limits_and_freeze_frames_of_their_own(home: Home, write: Write, rows: Rows) -> None:
    limits = "parameter,unit,low,high,reader,state,scope\nrail_pressure,bar,240,340,Blue handheld,warm_idle,2014 on\nrail_pressure,bar,,,,,\nrail_pressure,bar,9,1,,,\n"
    frames = "scan_id,module,code,parameter,value,unit\n1,engine,p 0562,Bordspannung,10.4,V\n1,engine,P0562,supply_voltage,10400,mV\n"
    report = ingest.load(home, [write("l.csv", limits), write("f.csv", frames)])
    assert [(f.table, f.taken, f.duplicates, f.rejected) for f in report.files] == [
        ("limits", 1, 0, 2),
        ("freeze_frames", 1, 1, 0),
    ]
    assert rows("select parameter, low, high, state, scope from raw.limits") == [
        ("rail_pressure", pytest.approx(24.0), pytest.approx(34.0), "warm_idle", "2014 on")
    ]
    assert rows("select code, parameter, value from raw.freeze_frames") == [("P0562", "supply_voltage", 10.4)]


def test_a_file_that_nothing_fits_names_the_nearest_table(home: Home, write: Write, rows: Rows) -> None:
    report = ingest.load(home, [write("x.csv", "scan_id,value,units,paramter\n1,2,3,4\n")])
    assert report.needs_person
    question = report.files[0].questions[0]
    assert "the nearest table is readings, which also needs parameter" in question
    assert "'paramter' may be meant as 'parameter'" in question
    assert report.as_json()["files"][0]["table"] is None
    assert rows("select count(*) from raw.files") == [(0,)]
    assert not list(home.originals.iterdir())


def test_columns_are_told_by_name_in_any_order_and_spelling(home: Home, write: Write, rows: Rows) -> None:
    path = write("x.csv", "\ufeffWho, Text ,AT,Van,mood\nA,hums,2026-03-02,047,bad\n")
    report = ingest.load(home, [path]).files[0]
    assert (report.table, report.taken, report.notes) == ("notes", 1, ("columns not used: mood",))
    assert rows("select van, text, who from raw.notes") == [("047", "hums", "A")]
    twice = ingest.load(home, [write("y.csv", "van,at,text,Text\n1,2026-03-02,a,b\n")]).files[0]
    assert "'text' stands twice" in twice.questions[0]


def test_originals_are_kept_byte_for_byte_and_the_inbox_is_emptied(home: Home) -> None:
    (home.inbox / "march").mkdir()
    shutil.copy(DATA / "notes.csv", home.inbox / "march" / "notes.csv")
    (home.inbox / "strange.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    report = ingest.load(home, [])
    assert [f.file for f in report.files] == ["march/notes.csv", "strange.csv"]
    digest = hashlib.sha256((DATA / "notes.csv").read_bytes()).hexdigest()
    assert (home.originals / f"{digest}.csv").read_bytes() == (DATA / "notes.csv").read_bytes()
    assert sorted(p.name for p in home.inbox.iterdir()) == ["strange.csv", "strange.csv.question.toml"]
    assert "nearest table" in (home.inbox / "strange.csv.question.toml").read_text(encoding="utf-8")


def test_files_given_by_path_stay_where_they_are(home: Home, write: Write) -> None:
    path = write("n.csv", "van,at,text\n1,2026-03-02,a\n")
    ingest.load(home, [path])
    assert path.exists()
    with pytest.raises(KinbayError, match="no such file"):
        ingest.load(home, [path.with_name("m.csv")])


def test_a_load_that_fails_stores_nothing(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    ingest.load(home, [DATA / "notes.csv"])
    before = everything(home)

    def fail(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr("pipeline.ingest.originals.keep", fail)
    with pytest.raises(OSError, match="disk full"):
        ingest.load(home, [DATA])
    monkeypatch.undo()
    assert everything(home) == before
    assert not [p for p in home.originals.iterdir() if p.name.startswith(".")]
    monkeypatch.setattr("pipeline.ingest.loading.utc_now", lambda: NOW)
    assert sum(f.taken for f in ingest.load(home, [DATA]).files) == 16


def test_a_second_writer_waits_and_is_told(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.ingest.opening.LOCK_WAIT_S", 0.1)
    with lock.hold(home.warehouse / ".lock"), pytest.raises(KinbayError, match="at work"):
        ingest.load(home, [DATA])


def test_progress_ends_at_the_whole(home: Home) -> None:
    seen: list[tuple[str, int, int]] = []
    ingest.load(home, [DATA], progress=lambda *step: seen.append(step))
    assert all(0 <= done <= total for _, done, total in seen)
    assert {name for name, _, _ in seen} == {p.name for p in DATA.glob("*.csv")}
    assert len({total for _, _, total in seen}) == 1


def test_lines_for_a_terminal(home: Home, write: Write) -> None:
    report = ingest.load(
        home,
        [write("r.csv", "scan_id,parameter,value\n" + "s,engine_speed,x\n" * 5 + "s,engine_speed,700\n")],
    )
    assert report.lines() == [
        "r.csv: readings, 1 taken, 5 left out.",
        *[
            f"  line {n}, value 'x': Not a number. Write a plain number such as 13.8, with a point and without a unit."
            for n in (2, 3, 4)
        ],
        "  and 2 more.",
        "1 file: 1 row taken, 5 left out.",
    ]


def test_a_decimal_comma_has_its_own_remedy_and_the_file_can_then_be_read_another_way(
    home: Home, write: Write
) -> None:
    path = write(
        "tablet.csv",
        "van;reader;scanned_at;parameter;value;unit\n"
        + "041;Tab;2026-03-02T08:00:00Z;coolant_temp;88,4;°C\n" * 2
        + "041;Tab;2026-03-02T08:00:00Z;engine_speed;x;rpm\n",
    )
    (first,) = ingest.load(home, [path]).files
    said = {r.value: r.remedy for r in first.rejects}
    assert said["88,4"].startswith("Let the spreadsheet write a point instead of the decimal comma")
    assert said["x"] == "Write a plain number such as 13.8, with a point and without a unit."
    (again,) = ingest.load(home, [path]).files
    assert "nothing was taken; kinbay withdraw it first" in again.notes[0]


def test_files_of_one_kind_that_wait_ask_once(home: Home, write: Write) -> None:
    text = "Vehicle;Date;Time;Mileage;Coolant;Engine speed;Battery\n;;;km;°C;1/min;V\n" + "".join(
        f"041;2{day}.03.2026;08:10;18433{day};88,{day};79{day};13,{day}4\n" for day in range(4, 8)
    )
    paths = [write(name, text.replace("041", van)) for name, van in (("a.csv", "041"), ("b.csv", "042"))]
    lines = ingest.load(home, paths).lines()
    assert sum("Which reading is 'Coolant'?" in line for line in lines) == 1
    assert "b.csv: waits for the same answers as a.csv; answer them once." in lines
