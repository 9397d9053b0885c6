"""One van's codes as lines for a terminal."""

from __future__ import annotations

from typing import Any

from pipeline.findings.listing import cells_text, findings_text
from pipeline.findings.upkeep import upkeep_lines

CODE: dict[str, Any] = {
    "module": "engine", "code": "P0299", "title": "boost too low", "structure": "standard", "n_later_present": 11,
    "n_later_covered": 16, "share_low": 0.444, "share_high": 0.858, "n_clears": 3, "n_clears_survived": 3,
    "had_lamp": True, "n_low_voltage": 0, "last_seen": "2026-09-28T07:17:21Z",
}  # fmt: skip
NOTHING_DONE: dict[str, Any] = {"repairs": [], "work_codes": [], "costs": None}


def _lines(**changed: Any) -> str:
    return cells_text(
        {
            "van": {"van": "021", "cohort": "Tarnwell Bracken 22 2.2D 2018"},
            "data_to": "2026-09-30",
            "cells": [],
            "drifts": [],
            "codes": [CODE | changed],
            **NOTHING_DONE,
        }
    )


def test_a_code_is_told_with_counts_interval_clearings_and_lamp() -> None:
    assert "P0299 (engine): boost too low" in _lines()
    assert (
        "11 of 16 later scans (44 to 86 %); cleared 3, back after 3; lights the lamp; last 28 Sep 2026"
        in _lines()
    )


def test_a_code_of_a_storm_says_so() -> None:
    said = _lines(n_later_covered=0, n_low_voltage=1, n_clears=0, had_lamp=None, title=None)
    assert "P0299 (engine): standard code" in said
    assert "no later scan can tell, 1 in a low-voltage cluster; last 28 Sep 2026" in said
    assert "4711 (brakes): no text known" in _lines(
        code="4711", module="brakes", title=None, structure="number"
    )


def _told(**changed: Any) -> str:
    finding = {
        "id": "ab12", "kind": "van_level", "tier": "finding", "parameter": "fill_index", "unit": "1", "difference": -0.05,
        "interval": [-0.07421, -0.008778], "also": [], "q": 2e-11, "robust": True, "claim": "Van 025: fill index is low.",
        "rivals": [], "next_check": "", "cautions": [],
    }  # fmt: skip
    found = {"vans": 7, "data_to": "2026-09-30T10:06:03Z", "cells_tested": 9, "expected_by_chance": 0.1}
    return " ".join(findings_text(found | {"findings": [finding | changed]}).split())


def test_days_and_figures_are_written_as_on_the_pages() -> None:
    assert "7 vans, data to 30 Sep 2026. 9 comparisons" in _told()
    assert (
        "q below 0.001; holds even if healthy siblings vary wildly; difference -0.074 to -0.009 (95 %)"
        in _told()
    )
    assert "difference -7.4 to +0.3 °C (95 %)" in _told(
        parameter="coolant_temp", unit="°C", interval=[-7.421, 0.31]
    )
    spread = {"parameter": "rail_pressure", "unit": "MPa", "interval": [0.3812, 0.7712]}
    assert "difference +0.38 to +0.77 MPa" in _told(**spread, also=[{"channel": "spread"}])
    assert "data to 30 Sep 2026." in _lines().splitlines()[0]


def test_a_value_outside_that_is_no_finding_is_told_as_that() -> None:
    cell: dict[str, Any] = {
        "parameter": "coolant_temp", "state": "warm_idle", "channel": "level", "value": 80.2, "difference": -7.8,
        "sibling_low": 83.1, "sibling_high": 92.9, "n_siblings": 3, "n_scans": 2, "verdict": "within",
    }  # fmt: skip
    found: dict[str, Any] = {
        "van": {"van": "V3", "cohort": "c"},
        "data_to": None,
        "drifts": [],
        "codes": [],
    } | NOTHING_DONE
    assert "siblings 83.1 to 92.9, n 3, scans 2; outside, but too little to stand out" in cells_text(
        found | {"cells": [cell]}
    )
    assert "too little" not in cells_text(found | {"cells": [cell | {"value": 84.0}]})


COSTS: dict[str, Any] = {
    "window_from": "2024-09-30", "window_to": "2026-09-30", "n_work": 8, "n_costed": 6, "cost_per_10000_km": 2166.9,
    "n_siblings": 7, "sibling_median": 250.0, "sibling_low": 142.4, "sibling_high": 399.4, "days_per_10000_km": 3.39,
    "n_siblings_days": 2, "sibling_days": None, "sibling_days_low": None, "sibling_days_high": None,
}  # fmt: skip


def test_costs_stand_beside_the_siblings_or_say_that_these_are_too_few() -> None:
    said = upkeep_lines(NOTHING_DONE | {"costs": COSTS})
    assert "No work on record that a reading or a code could judge." in said
    assert "Cost per 10,000 km: 2,167; 7 siblings from 142 to 399, median 250." in said
    assert "Days standing per 10,000 km: 3.4; 2 siblings, too few to compare with." in said
    assert said[-1].startswith("6 of 8 entries have a cost")
    unknown = upkeep_lines(NOTHING_DONE | {"costs": COSTS | {"cost_per_10000_km": None}})
    assert "Cost per 10,000 km: not known, too little distance or nothing written down." in unknown


def test_work_is_told_once_by_its_surest_reading_and_by_its_code() -> None:
    repairs = [
        {"claim": "Van 023: held: relay replaced on 17 Mar 2026.", "strength_rank": 1},
        {"claim": "Van 023: no effect to be seen.", "strength_rank": 2},
    ]
    code = {
        "worked_at": "2026-03-17T15:30:00Z", "what": "replaced", "part": "glow plug relay", "module": "engine", "code": "P0380",
        "outcome": "returned", "n_after": 10, "n_present_after": 4, "returned_at": "2026-05-02T08:00:00Z",
    }  # fmt: skip
    said = upkeep_lines({"repairs": repairs, "work_codes": [code], "costs": None})
    assert said[0] == "Work and what it did (1 piece judged by readings)"
    assert said[1] == "Van 023: held: relay replaced on 17 Mar 2026."
    assert " ".join(said[2].split()) == (
        "17 Mar 2026, replaced glow plug relay: P0380 (engine) came back on 02 May 2026 "
        "(10 scans after that can tell, 4 with it)."
    )
    assert len(said) == 3
