"""Text reports and raw logs: lines sorted by what they say; what a person would read out of them by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pipeline import ingest
from pipeline.ingest import proposing
from pipeline.settings import Home
from tests.load.conftest import Rows

Write = Callable[..., Path]
REPORT = """Yard check, printed by the bench reader
Vehicle: 047   Date: 13.02.2026 07:40
Mileage: 120.345 km

Engine control unit
  P0401  EGR flow insufficient   stored
  P0299-00  AC boost too low   (pending)
ABS
  no faults
  C0035
Engine speed: 800 rpm
Coolant temperature: 84,5 °C
Rail pressure: 285 bar
Page 1 of 1
"""


def test_a_report_is_read_line_by_line(home: Home, write: Write, rows: Rows) -> None:
    path = write("check.txt", REPORT)
    found = proposing.propose_for(home, path, {("reader", "reader"): "Bench"})
    assert found.proposal.questions == ()
    assert found.proposal.facts == ()
    assert [m["column"] for m in found.proposal.mapping if m["confidence"] == "left out"] == [
        "Yard check, printed by the bench reader",
        "Page 1 of 1",
    ]
    proposing.accept(home, path, found.proposal)
    (report,) = ingest.load(home, [path]).files
    assert report.rejects == ()
    assert rows("select van, scanned_at::text, odometer_km, coverage_known from raw.scans") == [
        ("047", "2026-02-13 07:40:00", 120345.0, False)
    ]
    assert rows("select module, code, failure_type, text, status from raw.codes order by line") == [
        ("engine", "P0401", None, "EGR flow insufficient", "stored"),
        ("engine", "P0299", "00", "AC boost too low", "pending"),
        ("brakes", "C0035", None, None, "unknown"),
    ]
    assert rows("select parameter, value from raw.readings order by line") == [
        ("engine_speed", 800.0),
        ("coolant_temp", 84.5),
        ("rail_pressure", 28.5),
    ]


def test_a_reading_without_its_unit_is_asked_about(home: Home, write: Write) -> None:
    path = write("check.txt", REPORT.replace("285 bar", "285"))
    asked = [(q.kind, q.subject) for q in proposing.propose_for(home, path).proposal.questions]
    assert asked == [("column_unit", "Rail pressure"), ("reader", "reader")]


def test_strange_headings_name_no_module(home: Home, write: Write) -> None:
    path = write("check.txt", REPORT.replace("ABS\n  no faults", "Hidden unit"))
    patterns = [line["pattern"] for line in proposing.propose_for(home, path).proposal.table["line"]]
    assert not any("<module>" in p for p in patterns)


def test_pasted_replies(home: Home, write: Write, rows: Rows) -> None:
    path = write("session.txt", "41 0C 1A F8\n41 05 7B\n43 01 04 01\n7F 01 12\n")
    answers = {
        ("reader", "reader"): "Cable",
        ("fact", "van"): "047",
        ("fact", "scanned_at"): "2026-03-02T07:40:00",
    }
    found = proposing.propose_for(home, path, answers)
    assert found.proposal.questions == ()
    assert [q.subject for q in found.proposal.facts] == ["van", "scanned_at"]
    proposing.accept(home, path, found.proposal)
    ingest.load(home, [path])
    assert rows("select parameter, value from raw.readings order by line") == [
        ("engine_speed", 1726.0),
        ("coolant_temp", 83.0),
    ]
    assert rows("select code, status from raw.codes") == [("P0401", "confirmed")]


def test_a_bus_log(home: Home, write: Write) -> None:
    log = "(1735270496.916858) can0 7E8#04410C1AF8000000\n(1735270497.016858) can0 7E8#0341057B00000000\n"
    found = proposing.propose_for(home, write("bus.log", log), {("reader", "reader"): "Logger"})
    assert [q.subject for q in found.proposal.facts] == ["van"]
    shown = found.preview["tables"]["readings"]
    values = [row[shown["columns"].index("value")] for row in shown["rows"]]
    assert values == [1726.0, 83.0]


def test_facts_on_one_line_and_a_word_before_the_code(home: Home, write: Write) -> None:
    text = "Vehicle: 047; Date: 13.02.2026 07:40; Mileage: 120345 km\nDTC P0401 - EGR flow - confirmed\n"
    shown = proposing.propose_for(home, write("line.txt", text), {("reader", "reader"): "Bench"}).preview
    scans, codes = shown["tables"]["scans"], shown["tables"]["codes"]
    picked = [scans["rows"][0][scans["columns"].index(c)] for c in ("van", "scanned_at", "odometer_km")]
    assert picked == ["047", "2026-02-13 07:40:00", 120345.0]
    picked = [codes["rows"][0][codes["columns"].index(c)] for c in ("code", "status", "text")]
    assert picked == ["P0401", "confirmed", "EGR flow"]
