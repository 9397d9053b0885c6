"""What is said of a van that drifts."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from pipeline.findings import drift, merging, van_cells
from pipeline.findings.records import Finding

ROW: dict[str, Any] = {
    "channel": "drift", "van": "002", "cohort_id": "c", "parameter": "rail_regulator_duty", "state": "warm_idle",
    "unit": "%", "tier": "finding", "n_scans": 24, "n_months": 18, "n_siblings": 5, "n_vans": 6, "months": 16.9,
    "first_seen": datetime(2025, 4, 3), "last_seen": datetime(2026, 9, 28), "slope": 0.315, "difference": 5.3,
    "interval_low": 4.1, "interval_high": 6.6, "value": 33.0, "expected": 27.7, "sibling_median": 28.0,
    "sibling_low": 24.0, "sibling_high": 34.0, "score": 6.1, "p": 1e-9, "q": 1e-6, "detectable": 3.0, "robust": None,
    "is_fallback": False, "is_small_group": False, "is_step": False, "step_at": datetime(2026, 2, 16), "step_size": 2.9,
    "step_low": 2.1, "step_high": 3.7,
    "has_left": False, "leaves_at": datetime(2027, 3, 10), "leaves_from": datetime(2027, 1, 5),
    "leaves_to": datetime(2027, 8, 1), "work": [], "updates": [],
}  # fmt: skip


def _find(**other: Any) -> Finding:
    (found,) = van_cells.find([ROW | other], van_cells.Background({"002": {}}, {}))
    return found


def test_the_claim_says_how_fast_how_long_and_what_comes_of_it() -> None:
    found = _find()
    assert found.kind == "van_drift"
    for words in (
        "has climbed by 0.32 % a month away from its 5 siblings for 17 months",
        "5.3 % in all (95 % 4.1 to 6.6; 24 scans in 18 months)",
        "leaves the range of its siblings (24.0 to 34.0 %) about March 2027 (January 2027 at the earliest, August 2027",
    ):
        assert words in found.claim
    assert (found.difference, found.interval_low, found.n_scans) == (5.3, 4.1, 24)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({"has_left": True}, "It has left the range of its siblings (24.0 to 34.0 %)"),
        ({"leaves_at": None}, "stays within the range of its siblings (24.0 to 34.0 %) for ten years"),
        ({"leaves_to": None}, "January 2027 at the earliest, or not within ten years"),
        ({"sibling_low": None}, "24 scans in 18 months)."),
        ({"slope": -0.0021, "difference": -0.04}, "has fallen by 0.0021 % a month"),
        (
            {"is_step": True},
            "has stepped up by 2.9 % (95 % 2.1 to 3.7) away from its 5 siblings about February 2026, at once rather than little by little (",
        ),
        ({"difference": -0.4, "interval_low": -1.2, "interval_high": 0.3}, "0.4 % in all (95 % -0.3 to 1.2;"),
        ({"is_fallback": True}, "away from the 5 vans of all model years for 17 months"),
    ],
)
def test_other_courses_are_said_as_they_are(other: dict[str, Any], words: str) -> None:
    assert words in _find(**other).claim


def test_rivals_name_updates_work_mileage_and_small_groups() -> None:
    updates = [
        {"reader": "Bench", "reader_version": "3.2", "since": datetime(2026, 2, 3), "is_told": True},
        {"reader": "Yard", "reader_version": "12", "since": datetime(2025, 12, 1), "is_told": False},
    ]
    work = [{"done": "replaced filter", "at": datetime(2026, k, 1)} for k in range(1, 6)]
    van = {"is_most_driven": True, "odometer_km": 212000.0}
    told = "; ".join(drift.rivals(ROW | {"updates": updates, "work": work, "is_small_group": True}, van))
    for words in (
        "The update of Bench to 3.2 in February 2026: no step was shown",
        "The update of Yard to 12 in December 2025: too few vans to tell",
        "replaced filter on 1 March 2026 and 2 more",
        "most driven of its cohort (212,000 km)",
        "Small group: 5 siblings only",
        "One step instead of a slow drift: the likeliest is a step up by 2.9 % (95 % 2.1 to 3.7) about February 2026, but it leaves more scatter",
    ):
        assert words in told
    assert "without being written down" in "; ".join(drift.rivals(ROW, {}))
    stepped = "; ".join(drift.rivals(ROW | {"is_step": True, "is_fallback": True}, {}))
    assert "One step" not in stepped
    assert "followed against all model years" in stepped


def test_drift_change_and_level_of_one_reading_are_one_matter_told_by_the_drift() -> None:
    shared: dict[str, Any] = {
        "van": "002",
        "parameter": "rail_regulator_duty",
        "state": "warm_idle",
        "q": 1e-9,
    }
    others = [
        Finding("van_change", "finding", "risen.", difference=3.2, **shared),
        Finding("van_level", "finding", "high.", difference=4.2, **shared),
    ]
    (told,) = merging.merge([*others, _find()])
    assert told.kind == "van_drift"
    assert "has risen by 3.2 % of late" in told.claim
    (told,) = merging.merge([others[1], _find(tier="likely")])
    assert told.kind == "van_level"
    assert "has climbed by 5.3 % over time" in told.claim


def test_the_matter_keeps_its_id_when_the_state_that_leads_changes() -> None:
    assert _find().finding_id == _find(state="steady_cruise").finding_id
