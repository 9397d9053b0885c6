"""Numbers and sentences of a finding, and its identity."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest

from pipeline.findings import contradictions, merging, ranking, repairs, van_cells, wording
from pipeline.findings.records import Finding

CELL: dict[str, Any] = {
    "channel": "level", "van": "047", "cohort_id": "c", "is_fallback": False, "parameter": "coolant_temp",
    "state": "warm_idle", "unit": "°C", "value": 77.1, "expected": 87.12, "difference": -10.02,
    "interval_low": -11.0, "interval_high": -9.0, "score": -9.1, "p": 1e-6, "q": 1e-4, "robust": True,
    "is_small_group": False, "detectable": 4.2, "n_siblings": 8, "n_vans": 9, "n_scans": 14, "n_scans_earlier": None,
    "first_seen": datetime(2026, 1, 2), "last_seen": datetime(2026, 9, 1), "sibling_low": 84.9, "sibling_high": 89.3,
    "tier": "finding",
}  # fmt: skip
NOTHING = van_cells.Background(vans={}, only_readers={})


def test_a_level_is_said_with_its_siblings_and_scans() -> None:
    (found,) = van_cells.find([CELL], NOTHING)
    assert found.claim == (
        "Van 047: engine coolant temperature, warm idle, is 10.0 °C below its 8 siblings (77.1 against 87.1 °C; "
        "siblings run from 84.9 to 89.3; 14 scans)."
    )
    assert "thermostat" in found.next_check
    assert any("Hot coolant" in c for c in found.cautions)
    assert any(r.startswith("Thermostat") for r in found.rivals)


def test_states_of_one_reading_are_one_matter() -> None:
    other = {**CELL, "state": "steady_cruise", "p": 1e-3, "tier": "likely", "difference": -6.0}
    (found,) = van_cells.find([other, CELL], NOTHING)
    assert found.state == "warm_idle"
    assert found.also == ({"parameter": "coolant_temp", "state": "steady_cruise", "difference": -6.0},)


def test_a_reading_worked_out_of_another_is_the_same_matter() -> None:
    read = {**CELL, "parameter": "rail_pressure", "unit": "MPa", "p": 1e-3}
    derived = {**read, "parameter": "rail_pressure_deviation", "p": 1e-5}

    def matters(*cells: dict[str, Any]) -> list[Finding]:
        return merging.merge(van_cells.find(list(cells), NOTHING))

    (found,) = matters(derived, read)
    assert found.parameter == "rail_pressure"
    assert [a["parameter"] for a in found.also] == ["rail_pressure_deviation"]
    (stronger,) = matters(derived, {**read, "tier": "watch"})
    assert stronger.parameter == "rail_pressure_deviation"
    assert len(matters(derived, CELL)) == 2


def test_rivals_name_reader_mileage_fallback_and_small_group() -> None:
    background = van_cells.Background(
        vans={"047": {"is_most_driven": True, "odometer_km": 312000.0}},
        only_readers={("047", "coolant_temp"): "Blue handheld"},
    )
    row = {**CELL, "is_small_group": True, "is_fallback": True, "robust": False, "n_siblings": 3}
    (found,) = van_cells.find([row], background)
    text = " ".join(found.rivals)
    for words in ("Blue handheld", "312,000 km", "all model years", "Small group: 3 siblings"):
        assert words in text
    assert found.model_year is None


def test_the_same_matter_keeps_its_id_while_values_and_leading_state_change() -> None:
    (first,) = van_cells.find([CELL], NOTHING)
    (later,) = van_cells.find([{**CELL, "value": 76.0, "state": "steady_cruise", "q": 0.01}], NOTHING)
    assert first.finding_id == later.finding_id
    (change,) = van_cells.find([{**CELL, "channel": "change", "n_scans_earlier": 8}], NOTHING)
    assert change.finding_id != first.finding_id
    assert replace(first, van="048").finding_id != first.finding_id


@pytest.mark.parametrize(
    ("value", "parameter", "text"),
    [
        (27.34, "rail_pressure", "27.3 MPa"),
        (566.2, "air_mass_per_stroke", "566.2 mg/stroke"),
        (12.347, "battery_rest_voltage", "12.35 V"),
        (201455.0, "odometer", "201,455.0 km"),
        (430.2, "exhaust_temp_1", "430 °C"),
    ],
)
def test_numbers_show_what_the_resolution_allows(value: float, parameter: str, text: str) -> None:
    assert wording.number(value, parameter) == text


def test_an_odometer_going_back_is_one_matter_per_van() -> None:
    row = {
        "conflict_kind": "odometer_back", "van": "012", "scan_key": "a", "other_scan_key": "b", "parameter": "odometer",
        "state": None, "at": datetime(2026, 5, 4), "value": 98200.0, "other_value": 198100.0, "unit": "km", "detail": "",
    }  # fmt: skip
    (found,) = contradictions.find([row, {**row, "at": datetime(2026, 6, 1), "other_value": 98900.0}])
    assert found.kind == "record_conflict"
    assert found.claim.startswith(
        "Van 012: the odometer goes back: 198,100 km before, then 98,200 km on 04 May 2026"
    )
    assert found.difference == -99900.0


def test_the_list_puts_strong_evidence_first_and_paperwork_after_vans() -> None:
    def make(**given: Any) -> Finding:
        return Finding(
            **{"kind": "van_level", "tier": "finding", "claim": "", "q": 0.01, "robust": True, **given}
        )

    watch, strong, weak = make(tier="watch"), make(q=0.001, van="1"), make(q=0.04, van="2")
    paper = make(kind="record_conflict", q=None)
    assert [f.finding_id for f in ranking.rank([watch, paper, weak, strong])] == [
        f.finding_id for f in (strong, weak, paper, watch)
    ]
    assert [f.rank for f in ranking.rank([watch, strong])] == [1, 2]


def test_odometers_at_odds_are_told_in_the_order_in_which_they_were_read() -> None:
    """The scan at odds may be the earlier one: it reads more than those after it."""
    row = {
        "conflict_kind": "odometer_back", "van": "012", "scan_key": "a", "other_scan_key": "b", "parameter": "odometer",
        "state": None, "at": datetime(2026, 5, 4), "value": 126232.0, "other_value": 125853.0, "unit": "km", "detail": "",
    }  # fmt: skip
    (found,) = contradictions.find([row])
    assert found.claim == "Van 012: the odometer goes back: 126,232 km on 04 May 2026, then 125,853 km."


def _work(**given: Any) -> dict[str, Any]:
    """A thermostat replaced on a van that read 7 °C low before and after: a row of `repairs`, by hand."""
    return {
        "van": "012", "worked_at": datetime(2026, 3, 3), "what": "replaced", "part": "thermostat", "relearn": "unknown",
        "parameter": "coolant_temp", "state": "warm_idle", "unit": "°C", "cohort_id": "c", "make": "Tarnwell",
        "model": "Bracken 22", "engine": "2.2D", "model_year": 2017, "is_fallback": False, "n_before": 5, "n_after": 6,
        "n_needed": 2, "n_over_work": 0, "n_same_day": 0, "next_work": None, "before_value": 81.0, "after_value": 80.5,
        "before_difference": -6.9, "after_difference": -7.4, "after_p": 1e-5, "after_low": 86.0, "after_high": 90.0,
        "n_late": 3, "late_difference": -7.4, "late_p": 1e-4, "effect": -0.5, "effect_low": -1.3, "effect_high": 0.4,
        "effect_t": -1.2, "effect_p": 0.24, "effect_q": 0.4, "after_q": 1e-4, "expected_return": 0.1, "n_siblings": 5,
        "n_left_out": 0, "own_from": datetime(2025, 12, 1), "own_to": datetime(2026, 10, 1), "verdict": "not_held",
        "reason": "still_off", **given,
    }  # fmt: skip


def _judged(row: dict[str, Any]) -> Finding:
    (found,) = repairs.find([row], datetime(2026, 10, 30), told_days=60, finding_q=0.05, likely_q=0.2)
    return found


def test_work_that_still_stands_off_carries_how_far_and_not_how_little_it_moved() -> None:
    found = _judged(_work())
    assert found.claim == (
        "Van 012: did not hold: thermostat replaced on 03 Mar 2026. Engine coolant temperature, warm idle stood 6.9 °C "
        "below its siblings before (5 scans) and still stands 7.4 °C below after (6 scans). That is against its 5 "
        "siblings over the same dates (95 % -9.4 to -5.4 °C)."
    )
    assert (found.difference, found.q, found.value) == (-7.4, 1e-4, 80.5)
    assert (found.interval_low, found.interval_high) == pytest.approx((-9.4, -5.4))
    assert found.expected == pytest.approx(87.9)
    moved = _judged(_work(reason="level_again", verdict="held", effect=7.0, effect_low=6.0, effect_high=8.0))
    assert (moved.difference, moved.q) == (7.0, 0.4)


@pytest.mark.parametrize(
    ("part", "relearn", "is_asked"),
    [
        ("thermostat", "unknown", False),
        ("coolant temperature sensor", None, False),
        ("egr_valve", "unknown", True),
        ("egr_valve", "done", False),
        ("thermostat and EGR valve", "unknown", True),
        ("gearbox mount", None, True),
        ("", "unknown", True),
    ],
)
def test_a_relearn_is_asked_for_only_where_something_is_taught(
    part: str, relearn: str | None, is_asked: bool
) -> None:
    """Common practice, no source: a thermostat has nothing that a control unit would learn."""
    found = _judged(_work(part=part, relearn=relearn))
    assert found.next_check.startswith("Ask whether the relearn was done") is is_asked
    assert any("relearn" in rival for rival in found.rivals) is is_asked
    assert any("the new one is faulty" in rival for rival in found.rivals)
