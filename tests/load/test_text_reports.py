"""Text reports and pasted text: lines by expressions, what holds below, and lines that nothing takes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from pipeline import ingest
from pipeline.settings import Home
from tests.load.conftest import Rows

Write = Callable[..., Path]
LAYOUT = r"""
name = "counter_report"
feeds = ["scans", "codes", "readings"]
[match]
text = "Counter report"
[file]
format = "text"
decimal = ","
ignore = ['^-+$', 'Counter report']
[time]
formats = ["%d.%m.%Y %H:%M"]
[constants]
reader = "Counter"
[[line]]
pattern = 'Vehicle: (?P<van>\S+)'
begins_scan = true
[[line]]
pattern = 'Printed (?P<scanned_at>[\d.]+ [\d:]+)'
[[line]]
pattern = '^Module: (?P<module>.+)'
module_answers = true
[[line]]
table = "codes"
pattern = '^\s*(?P<code>[PCBU]\w{4}) (?P<text>.*?) \((?P<status>.*)\)'
[[line]]
table = "readings"
pattern = '^\s+(?P<parameter>[^:]+): (?P<value>[\d,−-]+) ?(?P<unit>\S*)'
"""
REPORT = """Counter report
-----
Vehicle: 047
Module: engine
  P0562 System voltage low (stored)
  Coolant temperature: −4,5 °C
Module: brakes
Printed 02.03.2026 07:40
Vehicle: 048
Printed 03.03.2026 08:00
Module: engine
  nothing stored
  P0133?? (stored
"""


def _layout(home: Home) -> None:
    (home.layouts / "counter_report.toml").write_text(LAYOUT, encoding="utf-8")


def test_a_report_of_two_scans(home: Home, write: Write, rows: Rows) -> None:
    _layout(home)
    report = ingest.load(home, [write("r.txt", REPORT)]).files[0]
    assert report.layout == "counter_report"
    assert rows("select van, scanned_at from raw.scans order by 1") == [
        ("047", datetime(2026, 3, 2, 7, 40)),
        ("048", datetime(2026, 3, 3, 8, 0)),
    ]
    first = "047|Counter|2026-03-02T07:40:00Z"
    assert rows("select scan_id, module, code, text, status, line from raw.codes") == [
        (first, "engine", "P0562", "System voltage low", "stored", 5)
    ]
    assert rows("select scan_id, parameter, value from raw.readings") == [(first, "coolant_temp", -4.5)]
    assert rows("select module, answered from raw.scan_modules order by scan_id, module") == [
        ("brakes", True),
        ("engine", True),
        ("engine", True),
    ]


def test_lines_that_nothing_takes_are_told(home: Home, write: Write) -> None:
    _layout(home)
    report = ingest.load(home, [write("r.txt", REPORT)]).files[0]
    (missed,) = report.rejects
    assert (missed.line, "trouble code" in missed.reason) == (13, True)
    assert report.notes == ("1 lines were not read; the first is line 12: 'nothing stored'",)
    assert report.needs_person


def test_a_report_without_a_van_asks_for_it_once(home: Home, rows: Rows) -> None:
    _layout(home)
    path = home.inbox / "r.txt"
    path.write_text(REPORT.replace("Vehicle: 047\n", "").split("Vehicle: 048")[0], encoding="utf-8")
    changed = LAYOUT.replace("[[line]]\npattern = 'Vehicle: (?P<van>\\S+)'\nbegins_scan = true\n", "")
    (home.layouts / "counter_report.toml").write_text(changed, encoding="utf-8")
    assert ingest.load(home, []).files[0].questions == ("Which van is r.txt about?",)
    beside = home.inbox / "r.txt.question.toml"
    beside.write_text(beside.read_text("utf-8").replace('answer = ""', 'answer = "047"'), "utf-8")
    assert ingest.load(home, []).files[0].taken == 3
    assert rows("select van from raw.scans") == [("047",)]
    ingest.rebuild_raw(home)
    assert rows("select van from raw.scans") == [("047",)]
