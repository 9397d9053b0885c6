"""Writing down a scan, work and notes: shown before it is saved, kept on a fault, one journal file, corrected by another."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect
from streamlit.testing.v1 import AppTest

from dashboard.parts import jobs, work
from pipeline.settings import Home
from tests.dashboard.fleet import HOSTILE_VAN, Fleet
from tests.dashboard.shown import open_page, read_page
from tests.dashboard.tab import Visit


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Jobs that were set going; none is really run."""
    found: list[str] = []

    def start(title: str = "Load and build") -> jobs.Job:
        found.append(title)
        return jobs.Job(title, (work.load_and_build(),), state="done")

    monkeypatch.setattr("dashboard.parts.entry_save.start_load_and_build", start)
    return found


def _field(at: AppTest, kind: str, label: str) -> Any:
    return next(w for w in getattr(at.main, kind) if w.label == label)


def _press(at: AppTest, label: str) -> AppTest:
    return next(b for b in at.main.button if b.label == label).click().run()


def _entries(home: Path) -> list[dict[str, Any]]:
    return [json.loads(p.read_text()) for p in sorted((home / "journal").glob("*.json"))]


def _fill_scan(at: AppTest) -> None:
    _field(at, "selectbox", "Van").set_value("047")
    _field(at, "selectbox", "Reader").set_value("Yard tablet").run()
    _field(at, "number_input", "Odometer").set_value(204455)
    _field(at, "text_area", "Codes, any spelling").set_value("p 0401 stored, U0100")
    _field(at, "number_input", "Battery at rest, V").set_value(12.41)


def test_a_scan_is_shown_then_saved_then_loaded(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch, started: list[str]
) -> None:
    at = open_page(own_fleet.home, "enter", monkeypatch)
    _fill_scan(at)
    _press(at, "Look it over")
    said = read_page(at)
    assert "2 codes: p 0401 (stored), U0100 (unknown)" in said
    assert "Modules not noted, so that a missing code says nothing" in said
    assert _entries(own_fleet.home) == []
    _press(at, "Save")
    assert started == ["Saved; load and compare"]
    (entry,) = _entries(own_fleet.home)
    assert entry["kind"] == "scan"
    assert entry["tables"]["scans"][0]["rest_v"] == 12.41
    assert [c["code"] for c in entry["tables"]["codes"]] == ["p 0401", "U0100"]
    assert _field(at, "number_input", "Odometer").value is None


def test_what_was_typed_stays_on_a_fault(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch, started: list[str]
) -> None:
    at = open_page(own_fleet.home, "enter", monkeypatch)
    _field(at, "number_input", "Odometer").set_value(204455)
    _press(at, "Look it over")
    assert "Say the van and the reader first" in read_page(at)
    assert not any(b.label == "Save" for b in at.main.button)
    assert _field(at, "number_input", "Odometer").value == 204455
    assert started == []


def test_a_van_or_reader_nobody_knows_is_pointed_out_and_never_guessed(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch, started: list[str]
) -> None:
    from datetime import UTC, datetime

    from dashboard.parts.entry_texts import ScanFields, check_scan, scan_content

    now = datetime(2026, 9, 30, tzinfo=UTC)
    given = ScanFields("47", "Yard tabet", now)
    found = check_scan(given, ["047", "048"], ["Yard tablet"], now)
    assert found.stops == ()
    assert "Did you mean 047?" in found.doubts[0]
    assert "Did you mean Yard tablet?" in found.doubts[1]
    assert scan_content(given)["tables"]["scans"][0]["van"] == "47"


def test_a_hostile_van_is_shown_as_text(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch, started: list[str]
) -> None:
    at = open_page(own_fleet.home, "enter", monkeypatch)
    _fill_scan(at)
    _field(at, "selectbox", "Van").set_value(HOSTILE_VAN)
    _press(at, "Look it over")
    assert HOSTILE_VAN not in "\n".join(m.value for m in at.markdown)
    assert HOSTILE_VAN in read_page(at)


def test_the_list_of_readings_is_chosen_per_reader_and_kept(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch, started: list[str]
) -> None:
    at = open_page(own_fleet.home, "enter", monkeypatch)
    _field(at, "selectbox", "Reader").set_value("Yard tablet").run()
    _field(at, "multiselect", "Readings, in the order in which the reader shows them").set_value(
        ["rail_pressure"]
    )
    _press(at, "Keep this list")
    assert _entries(own_fleet.home)[0]["readings"] == ["rail_pressure"]
    fresh = open_page(own_fleet.home, "enter", monkeypatch)
    _field(fresh, "selectbox", "Reader").set_value("Yard tablet").run()
    labels = [n.label for n in fresh.main.number_input]
    assert [label for label in labels if label.endswith("MPa")] == ["Rail pressure, MPa"]
    assert "Supply voltage, V" not in labels


def test_work_and_notes_are_saved_and_corrected_by_further_entries(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch, started: list[str]
) -> None:
    at = open_page(own_fleet.home, "enter", monkeypatch)
    at.main.segmented_control(key="enter_what").set_value("Work done").run()
    _field(at, "selectbox", "Van").set_value("047")
    _field(at, "selectbox", "What was done").set_value("replaced")
    _field(at, "text_input", "Part").set_value("thermostat")
    _field(at, "number_input", "Cost").set_value(81.5)
    _press(at, "Look it over")
    _press(at, "Save")
    (first,) = _entries(own_fleet.home)
    assert first["tables"]["work"][0]["part"] == "thermostat"
    name = next((own_fleet.home / "journal").glob("*.json")).name
    at.main.selectbox(key="entries_chosen").set_value(name).run()
    _press(at, "Correct it")
    assert "You correct an entry" in read_page(at)
    assert _field(at, "text_input", "Part").value == "thermostat"
    _field(at, "text_input", "Part").set_value("coolant thermostat")
    _press(at, "Look it over")
    _press(at, "Save")
    second = _entries(own_fleet.home)[1]
    assert second["replaces"] == name
    assert second["tables"]["work"][0]["part"] == "coolant thermostat"
    at.main.selectbox(key="entries_chosen").select_index(0).run()
    _field(at, "text_input", "Why it is taken back").set_value("another van").run()
    _press(at, "Take it back")
    assert _entries(own_fleet.home)[2]["why"] == "another van"
    assert not any(h.value == "Written down before" for h in at.main.header)


def test_who_may_only_look_cannot_write(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboard.parts.roles.may", lambda act: act == "view")
    at = open_page(own_fleet.home, "enter", monkeypatch)
    assert "You may look, but not write records down" in read_page(at)
    assert not any(b.label == "Look it over" for b in at.main.button)


def test_before_the_first_build_a_scan_can_be_written_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, started: list[str]
) -> None:
    home = Home(tmp_path / "home").ensure()
    at = open_page(home.path, "enter", monkeypatch)
    assert not at.error
    assert any(b.label == "Look it over" for b in at.main.button)


@pytest.mark.parametrize(
    "visit",
    [pytest.param({"viewport": {"width": 390, "height": 844}, "has_touch": True}, id="phone")],
    indirect=True,
)
def test_the_form_on_a_phone(visit: Visit) -> None:
    """Nothing runs off the side, fields are big enough for a finger, numbers bring number keys."""
    visit.open("write_scan")
    assert visit.main.evaluate("e => e.scrollWidth <= e.clientWidth")
    odometer = visit.page.get_by_label("Odometer", exact=True)
    expect(odometer).to_have_attribute("type", "number")
    assert visit.page.get_by_role("button", name="Look it over").bounding_box()["height"] >= 44
    assert visit.page.get_by_test_id("stNumberInputContainer").first.bounding_box()["height"] >= 44
    odometer.fill("204455")
    visit.page.get_by_role("button", name="Look it over").click()
    visit.page.get_by_text("Say the van and the reader first").wait_for()
    expect(odometer).to_have_value("204455")
    visit.assert_quiet()
