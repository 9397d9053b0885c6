"""Corrected scans on the page Scans and records: newest first, one that was replaced marked, one taken back gone."""

from __future__ import annotations

import datetime as dt

import pytest

from dashboard.parts.corrected import list_corrected
from pipeline.journal import write_entry
from pipeline.settings import Home
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page, read_page

AT = dt.datetime(2026, 3, 1, 9, 30)
HOSTILE = "<img src=x onerror=alert(1)> **bold**"


def _correct(home: Home, hour: int, field: str, value: str, why: str = "typed wrongly") -> str:
    content = {
        "reader": "Yard tablet",
        "scan_id": "a-1",
        "field": field,
        "value": value,
        "why": why,
        "who": "Kim",
    }
    return write_entry(home, "correction", AT.replace(hour=hour), content)


def test_corrections_are_told_and_the_page_shows_them(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "No scan was corrected" in read_page(open_page(own_fleet.home, "data", monkeypatch))
    home = Home(own_fleet.home)
    _correct(home, 9, "odometer_km", "1000")
    _correct(home, 10, "odometer_km", "2000", HOSTILE)
    wrong = _correct(home, 11, "van", "042")
    write_entry(home, "taken_back", AT.replace(hour=12), {"names": wrong, "why": "was right"})
    found = list_corrected(home)
    assert found.select("at", "field", "value", "who", "holds").rows() == [
        (AT.replace(hour=10), "odometer, km", "2000", "Kim", "yes"),
        (AT.replace(hour=9), "odometer, km", "1000", "Kim", "no"),
    ]
    at = open_page(own_fleet.home, "data", monkeypatch)
    assert not at.exception
    assert "No scan was corrected" not in read_page(at)
    (shown,) = [d.value for d in at.dataframe if "holds" in d.value.columns]
    assert list(shown["why"]) == [HOSTILE, "typed wrongly"]
    assert HOSTILE not in read_page(at)
