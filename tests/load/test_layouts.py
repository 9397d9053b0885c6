"""Layouts: wide and long exports, their marks, times, units and words; and layouts that cannot be used."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

import pipeline.layouts
from pipeline import ingest
from pipeline.errors import KinbayError
from pipeline.read.layout_parts import Extract, File, Line, Long, Time
from pipeline.read.layouts import Layout, read_layouts
from pipeline.settings import Home
from tests.load.conftest import Rows
from tests.load.workbooks import write_xlsx

Write = Callable[..., Path]
README = Path(pipeline.layouts.__file__).parent / "README.md"

WIDE = """
name = "depot_logger"
feeds = ["scans", "readings", "codes"]
[match]
headers = ["Sitzung", "Zeit", "n [1/min]"]
file_name = "DL*.csv"
[file]
encoding = "cp1252"
delimiter = ";"
decimal = ","
thousands = "."
skip_rows = 2
unit_row = true
missing = ["-999"]
[time]
formats = ["%d.%m.%Y %H:%M:%S"]
zone = "Europe/Madrid"
[constants]
reader = "Depot logger"
module = "engine"
[preamble]
van = 'Fahrzeug:\\s*([^;]+)'
odometer_km = 'km-Stand:\\s*([\\d.]+)'
[columns]
"Sitzung" = "scan_id"
"Datum" = "at_date"
"Zeit" = "at_time"
"Fehler" = "code"
"Status" = "status"
[[wide]]
column = "n [1/min]"
parameter = "engine_speed"
[[wide]]
column = "Kühlmittel"
parameter = "coolant_temp"
unit = "°C"
[[wide]]
column = "Rail"
parameter = "rail_pressure"
low = "Rail min"
[codes]
split = ","
[values.status]
"aktiv jetzt" = "present"
"""
WIDE_FILE = """Depotlogger Ausgabe;;;
Fahrzeug: 047; km-Stand: 201.455;
Sitzung;Datum;Zeit;n [1/min];KÜHLMITTEL;Rail;Rail min;Fehler;Status
;;;1/min;°C;bar;bar;;
9;02.03.2026;07:41:00;1.778,5;−4,5;281,5;240;P0562,00285;Aktiv jetzt
9;02.03.2026;07:40:00;800;-999;;;P0562,00285;Aktiv jetzt
"""
LONG = """
name = "value_list"
feeds = ["scans", "readings", "codes"]
[match]
headers = ["Kind", "Item", "Result"]
[file]
delimiter = "|"
[time]
formats = ["%m/%d/%Y %I:%M %p"]
[constants]
reader = "Value list"
[columns]
"Van" = "van"
"When" = "scanned_at"
"After [s]" = "at_offset_s"
"Dtc" = "code"
"FF volts" = "text"
[long]
parameter = "Item"
value = "Result"
unit = "In"
mark = "Ok"
[long.labels]
"Motor 1" = "engine_speed"
[[freeze_frame]]
column = "FF volts"
parameter = "supply_voltage"
unit = "mV"
[only.readings]
column = "Kind"
words = ["val"]
[only.codes]
column = "Kind"
words = ["err"]
"""
LONG_FILE = """Kind|Van|When|After [s]|Item|Result|In|Ok|Dtc|FF volts
VAL|047|03/04/2026 07:40 AM|0|Motor 1|778|rpm|within||
VAL|047|03/04/2026 07:40 AM|1.5|Raildruck|281|bar|high||
ERR|047|03/04/2026 07:40 AM|||||| p0562|10400
"""


def _layout(home: Home, name: str, text: str) -> None:
    (home.layouts / f"{name}.toml").write_text(text, encoding="utf-8")


def test_a_wide_export(home: Home, write: Write, rows: Rows) -> None:
    _layout(home, "depot_logger", WIDE)
    report = ingest.load(home, [write("DL-1.csv", WIDE_FILE.replace("−", "-").encode("cp1252"))]).files[0]
    assert (report.layout, report.table, report.rejects) == ("depot_logger", "scans+readings+codes", ())
    assert (report.taken, report.without_value) == (1 + 4 + 2, 1)
    assert rows("select scan_id, van, reader, scanned_at, odometer_km from raw.scans") == [
        ("9", "047", "Depot logger", datetime(2026, 3, 2, 6, 40), 201455.0)
    ]
    assert rows(
        'select line, reader, "at", parameter, value, low, value_given from raw.readings order by line, parameter'
    ) == [
        (5, "Depot logger", datetime(2026, 3, 2, 6, 41), "coolant_temp", -4.5, None, "-4,5"),
        (5, "Depot logger", datetime(2026, 3, 2, 6, 41), "engine_speed", 1778.5, None, "1.778,5"),
        (
            5,
            "Depot logger",
            datetime(2026, 3, 2, 6, 41),
            "rail_pressure",
            pytest.approx(28.15),
            pytest.approx(24.0),
            "281,5",
        ),
        (6, "Depot logger", datetime(2026, 3, 2, 6, 40), "engine_speed", 800.0, None, "800"),
    ]
    assert rows("select code, module, status, structure from raw.codes order by 1") == [
        ("00285", "engine", "present", "number"),
        ("P0562", "engine", "present", "standard"),
    ]
    ingest.rebuild_raw(home)
    assert rows("select count(*) from raw.readings") == [(4,)]


def test_a_unit_row_that_contradicts_the_layout_is_asked_about(home: Home, write: Write) -> None:
    _layout(home, "depot_logger", WIDE)
    text = WIDE_FILE.replace("−", "-").replace(";1/min;°C;", ";1/min;°F;")
    report = ingest.load(home, [write("DL-1.csv", text.encode("cp1252"))]).files[0]
    assert report.taken == 0
    assert "'°F', the layout in '°C'" in report.questions[0]


def test_a_long_export_with_codes_among_the_readings(home: Home, write: Write, rows: Rows) -> None:
    _layout(home, "value_list", LONG)
    report = ingest.load(home, [write("v.txt", LONG_FILE)]).files[0]
    assert (report.layout, report.taken, report.rejects) == ("value_list", 4, ())
    made = "047|Value list|2026-03-04T07:40:00Z"
    assert rows('select scan_id, "at", parameter, value, mark from raw.readings order by 2') == [
        (made, datetime(2026, 3, 4, 7, 40), "engine_speed", 778.0, "within"),
        (made, datetime(2026, 3, 4, 7, 40, 1, 500000), "rail_pressure", pytest.approx(28.1), "high"),
    ]
    assert rows("select code from raw.codes") == [("P0562",)]
    assert rows("select parameter, value, unit_given from raw.freeze_frames") == [
        ("supply_voltage", 10.4, "mV")
    ]


def test_a_workbook_with_a_layout(home: Home, tmp_path: Path, rows: Rows) -> None:
    text = LONG.replace('delimiter = "|"', 'format = "xlsx"\nskip_rows = 1').replace(
        'formats = ["%m/%d/%Y %I:%M %p"]', ""
    )
    text = text.replace('"When" = "scanned_at"', '"Day" = "scanned_at_date"\n"Hour" = "scanned_at_time"')
    _layout(home, "value_list", text)
    book = write_xlsx(
        tmp_path / "v.xlsx",
        {
            "S": [
                ["export of the value list"],
                ["Kind", "Van", "Day", "Hour", "Item", "Result", "In"],
                ["VAL", "047", ("date", "46083"), ("date", "0.5"), "Motor 1", 778, "rpm"],
            ]
        },
    )
    assert ingest.load(home, [book]).files[0].taken == 2
    assert rows("select scanned_at from raw.scans") == [(datetime(2026, 3, 2, 12, 0),)]


def test_a_forced_layout_that_does_not_fit_names_what_is_missing(home: Home, write: Write) -> None:
    _layout(home, "value_list", LONG)
    report = ingest.load(home, [write("v.txt", "Kind|Item\nVAL|x\n")], layout="value_list").files[0]
    assert "does not fit the layout value_list" in report.questions[0]
    assert "missing: Result" in report.questions[0]
    with pytest.raises(KinbayError, match=r"Did you mean value_list\?"):
        ingest.load(home, [write("v.txt", LONG_FILE)], layout="value_lsit")


def test_two_layouts_that_fit_equally_are_asked_about(home: Home, write: Write) -> None:
    _layout(home, "value_list", LONG)
    _layout(home, "other_list", LONG.replace('name = "value_list"', 'name = "other_list"'))
    path = write("v.txt", LONG_FILE)
    assert "Several layouts fit: other_list, value_list" in ingest.load(home, [path]).files[0].questions[0]
    assert ingest.load(home, [path], layout="value_list").files[0].taken == 4


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('delimiter = ";"', 'delimeter = ";"', "file.delimeter: no such key; did you mean delimiter?"),
        ("[[wide]]\ncolumn", "[[wide]]\ncolum", "wide.0.colum: no such key; did you mean column?"),
        ('"rail_pressure"', '"rail_presure"', "did you mean rail_pressure?"),
        ('"Sitzung" = "scan_id"', '"Sitzung" = "scanid"', "did you mean scan_id?"),
        ('feeds = ["scans"', 'feeds = ["scan"', "did you mean scans?"),
        ('zone = "Europe/Madrid"', 'zone = "Europe/Madird"', "did you mean Europe/Madrid?"),
        ('encoding = "cp1252"', 'encoding = "cp99999"', "no such encoding"),
        ('thousands = "."', 'thousands = ","', "the same mark"),
        ('["%d.%m.%Y %H:%M:%S"]', '["%d.%m.%Y %H:%M", "%m.%d.%Y %H:%M"]', "order of day and month"),
        ('name = "depot_logger"', 'name = "depot"', "Call the file depot.toml"),
        ("[match]", "[match", "line"),
    ],
)
def test_a_layout_that_cannot_be_used_names_the_key(home: Home, old: str, new: str, words: str) -> None:
    assert old in WIDE
    _layout(home, "depot_logger", WIDE.replace(old, new, 1))
    with pytest.raises(KinbayError, match=re.escape(words)):
        read_layouts(home.layouts)


def test_an_expression_that_cannot_be_used_is_named(home: Home, write: Write) -> None:
    _layout(home, "depot_logger", WIDE.replace("Fahrzeug:\\s*([^;]+)", "Fahrzeug:(\\s*"))
    report = ingest.load(home, [write("DL-1.csv", WIDE_FILE.replace("−", "-").encode("cp1252"))])
    assert "expression of the layout cannot be used" in report.files[0].questions[0]


def test_the_guides_own_example_is_a_usable_layout() -> None:
    text, *others = re.findall(r"```toml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    wide = re.sub(r"(?ms)^\[long\].*?(?=^\[\[freeze_frame)", "", text)
    long = re.sub(r"(?ms)^\[\[wide\]\].*?(?=^\[long\])", "", text)
    for part in (wide, long, *others):
        layout = Layout.model_validate(tomllib.loads(part))
        assert layout.name in {"depot_logger", "counter_report"}
    whole = "\n".join([text, *others])
    told = set(re.findall(r"(?m)^\[*(\w+)", whole)) | set(re.findall(r"(?m)^(?:# )?(\w+) =", whole))
    assert set(Layout.model_fields) <= told | {"labels", "units"}
    assert {k for m in (File, Time, Line, Extract, Long) for k in m.model_fields} <= told | {
        "labels",
        "units",
    }
