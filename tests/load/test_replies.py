"""Replies of control units in files. Vectors: the formulas of SAE J1979 / ISO 15031-5 worked by hand, and the
frames of ISO 15765-4, ISO 9141-2 and ISO 14230-2 (from memory of the standards)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline import ingest
from pipeline.ingest import proposing
from pipeline.read.replies import IN_PARTS, NO_BYTES, NOT_KNOWN, REFUSED, TOO_SHORT, read_reply
from pipeline.settings import Home
from tests.load.conftest import Rows

Write = Callable[..., Path]
# Identifier, data bytes and value in the reading's own unit: the standard's formula by hand.
PIDS = [
    ("0C", "1A F8", "engine_speed", 1726.0), ("05", "7B", "coolant_temp", 83), ("05", "00", "coolant_temp", -40),
    ("0F", "46", "intake_air_temp", 30), ("10", "03 7A", "air_mass_flow", 8.9), ("0B", "64", "manifold_pressure", 100),
    ("33", "61", "barometric_pressure", 97), ("0D", "55", "vehicle_speed", 85), ("04", "40", "engine_load", 25.098),
    ("06", "8A", "stft_b1", 7.8125), ("07", "70", "ltft_b1", -12.5), ("23", "09 C4", "rail_pressure", 25.0),
    ("42", "36 B0", "supply_voltage", 14.0), ("2C", "66", "egr_command", 40.0), ("2D", "80", "egr_error", 0.0),
    ("1F", "03 84", "run_time", 900), ("31", "01 2C", "distance_since_clear", 300),
    ("30", "0C", "warmups_since_clear", 12), ("5E", "00 0E", "fuel_rate", 0.7), ("5C", "82", "oil_temp", 90),
    ("0E", "90", "ignition_timing", 8.0), ("A6", "00 1E 84 80", "odometer", 200000.0),
]  # fmt: skip


@pytest.mark.parametrize(("pid", "data", "parameter", "value"), PIDS)
def test_readings(pid: str, data: str, parameter: str, value: float) -> None:
    ((found, text),) = read_reply(f"41 {pid} {data}").readings
    assert found == parameter
    assert float(text) == pytest.approx(value, abs=1e-3)
    ((_, frame),) = [(n, float(v)) for n, _, v in read_reply(f"42 {pid} 00 {data}").frames]
    assert frame == pytest.approx(value, abs=1e-3)


@pytest.mark.parametrize(
    "text",
    [
        "41 0C 1A F8",
        "410C1AF8",
        "> 41 0c 1a f8",
        "04 41 0C 1A F8 00 00 00",
        "7E8 04 41 0C 1A F8 00 00",
        "7E8#04410C1AF8000000",
        "18DAF110 04 41 0C 1A F8",
        "48 6B 10 41 0C 1A F8 22",  # 48+6B+10+41+0C+1A+F8 = 222 hexadecimal: checksum 22
        "84 F1 10 41 0C 1A F8 E4",  # four bytes for the tester F1 from 10; 84+F1+10+41+0C+1A+F8 = 2E4
    ],
)
def test_ways_of_writing(text: str) -> None:
    assert read_reply(text).readings == [("engine_speed", "1726.0")]


def test_several_readings_in_one_reply() -> None:
    found = read_reply("41 0C 1A F8 05 7B 0D 55").readings
    assert found == [("engine_speed", "1726.0"), ("coolant_temp", "83.0"), ("vehicle_speed", "85.0")]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("7E8#034105", TOO_SHORT),  # states three bytes and gives two
        ("41 0C 1A", TOO_SHORT),
        ("41 69 00 00 00 00 00 00 00", NOT_KNOWN),  # its scaling is not settled
        ("41 1C 06", NOT_KNOWN),
        ("7F 01 12", REFUSED),
        ("7E8 10 14 49 02 01 31 4D 38", IN_PARTS),
        ("48 6B 10 41 0C 1A F8 23", NO_BYTES),  # the checksum is wrong
        ("01 0C", NO_BYTES),  # a request
        ("hello", NO_BYTES),
    ],
)
def test_what_does_not_add_up_is_refused(text: str, reason: str) -> None:
    reply = read_reply(text)
    assert reply.problem[0] == reason
    assert reply.problem[1]
    assert reply.readings == []


def test_supported_identifiers_are_no_readings() -> None:
    assert read_reply("41 00 BE 3F A8 13") == read_reply("41 20 80 00 00 01")


def test_the_vehicle_identification_number_is_named() -> None:
    """49 CFR 565's own sample number, in ASCII."""
    reply = read_reply("49 02 01 " + b"1G4AH59H45G118341".hex(" "))
    assert "1G4AH59H45G118341" in reply.problem[0]


LOG = """Van,Time,Answer
047,2026-03-02 07:40:00,41 0C 1A F8
047,2026-03-02 07:40:01,41 05 7B
047,2026-03-02 07:40:02,42 02 00 04 01
047,2026-03-02 07:40:03,42 0C 00 1F 40
047,2026-03-02 07:40:04,42 05 01 7B
047,2026-03-02 07:40:05,43 01 04 01
047,2026-03-02 07:40:06,41 1C 06
048,2026-03-02 08:40:00,41 0C 0C 80
"""


def test_a_log_of_replies_is_proposed_and_read(home: Home, write: Write, rows: Rows) -> None:
    path = write("log.csv", LOG)
    told = {("reader", "reader"): "Cable", ("module", "module"): "engine"}
    found = proposing.propose_for(home, path, told)
    assert found.proposal.table["feeds"] == ["scans", "readings", "codes", "freeze_frames"]
    assert found.proposal.is_complete
    proposing.accept(home, path, found.proposal)
    (report,) = ingest.load(home, [path]).files
    assert [(r.line, r.value) for r in report.rejects] == [(6, "42 05 01 7B"), (8, "41 1C 06")]
    assert all(r.reason and r.remedy for r in report.rejects)
    assert rows("select line, parameter, value from raw.readings order by line") == [
        (2, "engine_speed", 1726.0),
        (3, "coolant_temp", 83.0),
        (9, "engine_speed", 800.0),
    ]
    assert rows("select module, code, status from raw.codes") == [("engine", "P0401", "confirmed")]
    assert rows("select code, parameter, value from raw.freeze_frames") == [("P0401", "engine_speed", 2000.0)]


def test_refusals_are_replies_and_vans_are_not(home: Home, write: Write) -> None:
    log = "Time,Answer\n2026-03-02 07:40,41 0C 1A F8\n2026-03-02 07:41,7F 01 12\n2026-03-02 07:42,NO DATA\n"
    found = proposing.propose_for(home, write("log.csv", log))
    assert found.proposal.table["columns"] == {"Time": "at", "Answer": "reply"}
    vans = "Van,Scan date,Code\n43 01,2026-03-02,P0401\n47 0A,2026-03-02,P0299\n"
    found = proposing.propose_for(home, write("vans.csv", vans))
    assert found.proposal.table["columns"]["Van"] == "van"


BUS = """name = "bus"
feeds = ["scans", "readings"]
[match]
text = "can0"
[file]
format = "text"
[time]
formats = ["epoch_s"]
[constants]
reader = "Logger"
[[line]]
table = "replies"
pattern = '^\\((?P<at>\\d+\\.\\d+)\\)\\s+\\S+\\s+(?P<reply>[0-9A-F]{3,8}#[0-9A-F]*)'
"""


def test_a_bus_log_names_the_line_that_is_cut_short(home: Home, write: Write, rows: Rows) -> None:
    (home.layouts / "bus.toml").write_text(BUS, encoding="utf-8")
    path = write(
        "bus.log", "(1735270496.916858) can0 7E8#04410C1AF8000000\n(1735270497.016858) can0 7E8#034105\n"
    )
    (report,) = ingest.load(home, [path], van="047").files
    assert [(r.line, r.reason) for r in report.rejects] == [(2, TOO_SHORT)]
    assert rows("select parameter, value from raw.readings") == [("engine_speed", 1726.0)]
