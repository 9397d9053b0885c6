"""JSON as programs write it: objects in objects, lists in lists; the rows a person would read out by hand."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from pipeline import ingest
from pipeline.ingest import proposing
from pipeline.settings import Home
from tests.load.conftest import Rows

Write = Callable[..., Path]
LINES = [
    {"vehicle": {"id": "047", "odo_km": 120345}, "ts": "2026-03-02T07:40:00Z", "tool": "Bench", "data": {"rpm": 800}},
    {"vehicle": {"id": "048", "odo_km": 1e5}, "ts": "2026-03-02T07:41:00Z", "tool": "Bench", "data": {"rpm": 810.5}},
]  # fmt: skip
TREE = {
    "export": "v2",
    "vehicles": [
        {
            "fleet_number": "047",
            "scans": [
                {
                    "time": "2026-03-02T07:40:00",
                    "dtcs": ["P0401", "P0299"],
                    "readings": [
                        {"name": "engine_speed", "value": 800, "unit": "rpm"},
                        {"name": "coolant_temp", "value": 84, "unit": "°C"},
                    ],
                },
                {"time": "2026-03-03T07:40:00", "dtcs": ["U0100"], "readings": []},
            ],
        },
        {
            "fleet_number": "048",
            "scans": [{"time": "2026-03-02T08:40:00", "dtcs": [], "readings": []}],
        },
    ],
}


def _load(home: Home, path: Path) -> ingest.FileReport:
    found = proposing.propose_for(home, path, {("reader", "reader"): "Bench"})
    assert found.proposal.is_complete, found.proposal.questions
    proposing.accept(home, path, found.proposal)
    return ingest.load(home, [path]).files[0]


def test_objects_in_lines(home: Home, write: Write, rows: Rows) -> None:
    path = write("log.jsonl", "\n".join(json.dumps(line) for line in LINES))
    assert _load(home, path).rejected == 0
    assert rows(
        "select s.van, s.odometer_km, r.parameter, r.value from raw.readings r join raw.scans s using (scan_id) order by 1"
    ) == [("047", 120345.0, "engine_speed", 800.0), ("048", 100000.0, "engine_speed", 810.5)]


def test_a_scan_without_readings_keeps_its_codes(home: Home, write: Write, rows: Rows) -> None:
    path = write("tree.json", json.dumps(TREE))
    assert _load(home, path).rejected == 0
    codes = "select s.van, s.scanned_at::date::text, c.code from raw.codes c join raw.scans s using (scan_id) order by 1, 2, 3"
    assert rows(codes) == [
        ("047", "2026-03-02", "P0299"),
        ("047", "2026-03-02", "P0401"),
        ("047", "2026-03-03", "U0100"),
    ]
    assert rows("select parameter, value from raw.readings order by 1") == [
        ("coolant_temp", 84.0),
        ("engine_speed", 800.0),
    ]
    assert rows("select count(*) from raw.scans") == [(3,)]
