"""A frozen reading is one matter: what its level showed is told with it, other vans and readings stay."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pipeline.findings import frozen
from pipeline.findings.records import Finding

ROW: dict[str, Any] = {
    "van": "7", "parameter": "fuel_temp", "cohort_id": "c", "make": "Tarnwell", "model": "Bracken 22", "engine": "2.2D",
    "model_year": 2016, "unit": "°C", "value_least": 41.0, "value_most": 41.0, "n_scans": 9, "n_within": 4, "n_steps": 3,
    "n_gaps": 8, "n_siblings": 5, "p": 1e-7, "q": 1e-4, "first_seen": datetime(2026, 1, 1), "last_seen": datetime(2026, 6, 1),
}  # fmt: skip


def test_the_claim_counts_every_chance() -> None:
    found = frozen.find(ROW)
    assert found.kind == "reading_frozen"
    assert "stands still at 41.0 °C" in found.claim
    assert "15 chances to move" in found.claim
    assert "5 siblings" in found.claim
    assert len(found.rivals) == 3
    assert "beside one sibling" in found.next_check
    assert found.cautions


def test_level_and_change_of_the_same_reading_are_one_matter_with_it() -> None:
    level = Finding(
        "van_level", "likely", "", van="7", parameter="fuel_temp", state="warm_idle", difference=-7.0
    )
    other_van = Finding("van_level", "likely", "", van="8", parameter="fuel_temp", state="warm_idle")
    other_reading = Finding("van_level", "likely", "", van="7", parameter="coolant_temp", state="warm_idle")
    told = frozen.absorb([level, other_van, other_reading], [frozen.find(ROW)])
    assert [(f.kind, f.van, f.parameter) for f in told] == [
        ("van_level", "8", "fuel_temp"),
        ("van_level", "7", "coolant_temp"),
        ("reading_frozen", "7", "fuel_temp"),
    ]
    assert told[-1].also == ({"parameter": "fuel_temp", "state": "warm_idle", "difference": -7.0},)


def test_nothing_frozen_changes_nothing() -> None:
    level = Finding("van_level", "likely", "", van="7", parameter="fuel_temp", state="warm_idle")
    assert frozen.absorb([level], []) == [level]
