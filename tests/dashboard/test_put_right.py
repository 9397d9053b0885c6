"""Putting records right on the page Scans and records: shown before it is saved, saved by the commands, originals kept."""

from __future__ import annotations

import datetime as dt
import json
import re
from zoneinfo import ZoneInfo

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.parts import jobs
from dashboard.parts.put_right import Right, draft_correction
from pipeline import ingest
from pipeline.settings import Home
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page, read_page
from tests.load.conftest import DATA

LISBON = ZoneInfo("Europe/Lisbon")
SCAN = {
    "scanned_at": dt.datetime(2026, 7, 1, 6, 41, 12), "van": "042", "reader": "-x", "scan_id": "a-1",
    "odometer_km": 1000.0,
}  # fmt: skip


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, ...]]:
    """Commands that were set going; none is really run."""
    found: list[tuple[str, ...]] = []
    monkeypatch.setattr(
        "dashboard.parts.put_right.start", lambda _, steps: found.extend(s.args for s in steps)
    )
    return found


def test_only_what_is_different_is_corrected() -> None:
    same = Right("042", dt.datetime(2026, 7, 1, 7, 41), 1000.2, "w", "")
    assert draft_correction(SCAN, same, LISBON) is None
    right = Right("047", dt.datetime(2026, 7, 1, 8, 41), 1609, "typed in miles", "Kim")
    draft = draft_correction(SCAN, right, LISBON)
    assert draft is not None
    assert draft.lines == (
        "Van: 042 becomes 047",
        "Read at: 01 Jul 2026, 07:41 becomes 01 Jul 2026, 08:41",
        "Odometer: 1,000 km becomes 1,609 km",
    )
    assert draft.args == (
        "correct", "--van=047", "--at=2026-07-01T08:41:00", "--odometer-km=1609", "--why=typed in miles", "--who=Kim",
        "--", "-x", "a-1",
    )  # fmt: skip


def test_the_command_of_a_draft_writes_the_entry(tmp_path: object) -> None:
    home = Home(tmp_path / "home").ensure()  # type: ignore[operator]
    ingest.load(home, [DATA])
    scan = {
        **SCAN,
        "reader": "Yard tablet",
        "scan_id": "a-1002",
        "scanned_at": dt.datetime(2026, 3, 2, 7, 40),
    }
    draft = draft_correction(scan, Right(None, None, 123456.0, "--typed wrongly", "Kim"), LISBON)
    assert draft is not None
    jobs.run_now(home.path, *draft.args)
    (path,) = home.journal.glob("*correction*")
    entry = json.loads(path.read_text())
    assert (entry["field"], entry["value"], entry["why"], entry["who"]) == (
        "odometer_km", "123456.0", "--typed wrongly", "Kim",
    )  # fmt: skip


def _press(at: AppTest, label: str) -> AppTest:
    return next(b for b in at.main.button if b.label == label).click().run()


def test_a_scan_is_put_right_after_it_was_shown(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch, started: list[tuple[str, ...]]
) -> None:
    at = open_page(own_fleet.home, "data", monkeypatch)
    at.main.selectbox(key="right_van").set_value("047").run()
    next(b for b in at.main.selectbox if b.label == "Scan").select_index(0).run()
    next(b for b in at.main.selectbox if b.label == "Right van").set_value("062")
    _press(at, "Look it over")
    assert "Say why" in read_page(at)
    next(t for t in at.main.text_input if t.label == "Why").set_value("wrong van chosen")
    _press(at, "Look it over")
    assert "Van: 047 becomes 062" in read_page(at)
    assert started == []
    _press(at, "Save it")
    assert started[0][0] == "correct"
    assert "--van=062" in started[0]
    assert [args[0] for args in started] == ["correct", "build"]
    assert not at.exception


def test_who_may_only_look_puts_nothing_right(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboard.parts.roles.may", lambda act: act == "view")
    at = open_page(own_fleet.home, "data", monkeypatch)
    assert not any(h.value == "Put a scan right" for h in at.main.header)
    assert not any(b.label == "Look it over" for b in at.main.button)


def test_a_name_nobody_knows_is_given_to_a_van(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch, started: list[tuple[str, ...]]
) -> None:
    import duckdb

    folder = own_fleet.home / "warehouse"
    path = folder / json.loads((folder / "current.json").read_text())["file"]
    path.chmod(0o644)
    with duckdb.connect(str(path)) as connection:
        connection.execute("update vans set cohort_id = null, van = '0477' where van = '077'")
        connection.execute("update work set van = '0477' where van = '047'")
    at = open_page(own_fleet.home, "data", monkeypatch)
    (named,) = at.main.selectbox(key="right_name").options
    assert re.fullmatch(r"0477, \d+ scans, \d+ (entry|entries)", named)
    at.main.selectbox(key="right_name").set_value("0477").run()
    assert "The nearest name of the register is 047" in read_page(at)
    next(b for b in at.main.selectbox if b.label == "This is van").set_value("047")
    _press(at, "Look it over")
    assert "Say which van, and why" in read_page(at)
    next(t for t in at.main.text_input if t.label.startswith("Why (")).set_value("typing error")
    _press(at, "Look it over")
    assert "will count for van 047" in read_page(at)
    _press(at, "Save it")
    assert started[0] == ("alias", "--van=047", "--why=typing error", "--", "0477")
