"""One matter, one entry; and the order in which entries are shown."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from pipeline import vocabulary
from pipeline.findings import merging, ranking
from pipeline.findings.records import Finding

SEEN = datetime(2026, 9, 30, 8, 0)
BASE = Finding(
    kind="van_level", tier="finding", claim="Van 034 is odd.", van="034", cohort_id="c", parameter="rail_pressure",
    state="warm_idle", against="siblings", difference=-2.4, unit="MPa", score=-6.0, q=0.001, robust=False,
    last_seen=SEEN,
)  # fmt: skip
TEXTS = {c.key: c.text for c in vocabulary.cautions()}


def _like(**changed: object) -> Finding:
    return replace(BASE, **changed)  # type: ignore[arg-type]


def test_readings_that_move_together_are_one_matter_in_the_right_direction_only() -> None:
    regulator = _like(
        parameter="rail_regulator_duty", difference=3.9, tier="watch", q=0.2, cautions=("Mind.",)
    )
    (joined,) = merging.merge([regulator, BASE])
    assert joined.parameter == "rail_pressure"
    assert joined.also == ({"parameter": "rail_regulator_duty", "state": "warm_idle", "difference": 3.9},)
    assert "The same matter: rail regulator duty, warm idle is 3.9 % higher." in joined.claim
    assert "Mind." in joined.cautions
    assert joined.finding_id == BASE.finding_id
    assert len(merging.merge([replace(regulator, difference=-3.9), BASE])) == 2
    assert len(merging.merge([replace(regulator, van="035"), BASE])) == 2


def test_readings_that_have_nothing_in_common_stay_apart() -> None:
    other = _like(parameter="coolant_temp", difference=-8.0)
    assert len(merging.merge([BASE, other])) == 2


def test_of_equal_tiers_the_change_leads_and_the_level_is_told_with_it() -> None:
    change = _like(kind="van_change", q=0.04, difference=-2.0, claim="Van 034 has fallen.")
    (joined,) = merging.merge([BASE, change])
    assert joined.kind == "van_change"
    assert joined.also == ()  # the same cell: no second row, but a sentence
    assert joined.claim.endswith("The same matter: rail pressure, warm idle is 2.4 MPa lower.")
    (kept,) = merging.merge([BASE, replace(change, tier="likely")])
    assert kept.kind == "van_level"
    assert kept.claim.endswith("rail pressure, warm idle has fallen by 2.0 MPa of late.")


def test_a_change_the_other_way_is_another_matter() -> None:
    assert len(merging.merge([BASE, _like(kind="van_change", difference=2.0)])) == 2


def test_of_equal_tiers_the_reading_that_drives_the_other_leads() -> None:
    quantity = _like(parameter="injection_quantity", difference=1.5, q=0.04)
    rate = _like(parameter="fuel_rate", difference=0.2, q=0.001)
    (joined,) = merging.merge([rate, quantity])
    assert joined.parameter == "injection_quantity"
    (stronger,) = merging.merge([rate, replace(quantity, tier="likely")])
    assert stronger.parameter == "fuel_rate"


def test_of_a_readers_readings_the_surest_leads_whatever_drives_the_other_in_a_van() -> None:
    reader = _like(kind="reader_bias", van=None, reader="Yard tablet", against="other_reader", score=None)
    rest = replace(reader, parameter="battery_rest_voltage", state="engine_off", difference=-0.02, q=1e-5)
    supply = replace(reader, parameter="supply_voltage", difference=-0.24, q=1e-50)
    (joined,) = merging.merge([rest, supply])
    assert joined.parameter == "supply_voltage"
    (of_a_van,) = merging.merge([replace(f, kind="van_level", van="034") for f in (rest, supply)])
    assert of_a_van.parameter == "battery_rest_voltage"


def test_states_already_told_are_not_lost() -> None:
    cold = {"parameter": "rail_pressure", "state": "cold_idle", "difference": -2.0}
    road = {"parameter": "rail_regulator_duty", "state": "steady_cruise", "difference": 1.0}
    (joined,) = merging.merge(
        [_like(also=(cold,)), _like(parameter="rail_regulator_duty", difference=3.9, also=(road,), q=0.2)]
    )
    assert [(a["parameter"], a["state"]) for a in joined.also] == [
        ("rail_pressure", "cold_idle"),
        ("rail_regulator_duty", "warm_idle"),
        ("rail_regulator_duty", "steady_cruise"),
    ]


@pytest.mark.parametrize(
    "kind", [k for k in ("code_persistent", "record_conflict", "low_voltage_cluster", "repair_effect")]
)
def test_other_kinds_are_never_merged(kind: str) -> None:
    assert len(merging.merge([_like(kind=kind), _like(kind=kind, q=0.1)])) == 2


def test_exposures_cohorts_and_readers_merge_within_their_own_subject() -> None:
    parking = _like(kind="exposure_effect", van=None, cohort_id=None, attribute="parking", level="open",
                    against="other_level", parameter="intake_air_temp", difference=3.0)  # fmt: skip
    charge = replace(parking, parameter="charge_air_temp", difference=2.0, q=0.01)
    guard = replace(charge, attribute="windscreen_guard", level="yes")
    assert len(merging.merge([parking, charge, guard])) == 2
    assert len(merging.merge([parking, replace(charge, code="51207")])) == 2


def test_a_code_of_a_whole_cohort_is_not_told_of_each_van() -> None:
    fleet = _like(kind="code_fleetwide", van=None, code="90417", module="body", parameter=None, state=None)
    own = _like(kind="code_persistent", code="90417", module="body", parameter=None, state=None, tier="watch")
    assert merging.merge([fleet, own]) == [fleet]
    assert len(merging.merge([fleet, replace(own, tier="finding")])) == 2
    assert len(merging.merge([fleet, replace(own, cohort_id="d")])) == 2


def test_the_same_matter_keeps_its_id() -> None:
    bias = _like(kind="reader_bias", van=None, reader="Yard tablet", against="other_reader")
    assert bias.finding_id == replace(bias, state="cold_idle", cohort_id=None).finding_id
    assert bias.finding_id != replace(bias, parameter="coolant_temp").finding_id
    unmet = replace(bias, tier="not_enough_evidence", van="012")
    assert unmet.finding_id == replace(unmet, van=None, parameter="coolant_temp").finding_id
    assert unmet.finding_id != bias.finding_id


def test_every_reading_that_moves_with_another_is_known() -> None:
    known = {parameter.key for parameter in vocabulary.parameters()}
    assert {name for pair in merging.kinship() for name in pair} <= known


def test_what_may_stop_a_van_comes_first_then_tier_then_weight() -> None:
    hot = _like(parameter="coolant_temp", value=107.0, difference=18.0, tier="likely", q=0.1)
    stale = _like(van="035", last_seen=SEEN - timedelta(days=200))
    weak = _like(van="036", q=0.03)
    paper = _like(van="037", kind="record_conflict", q=None)
    likely = _like(van="038", tier="likely", q=0.06)
    order = [f.van for f in ranking.rank([likely, paper, weak, stale, hot, _like(van="039")])]
    assert order == ["034", "039", "035", "036", "037", "038"]
    first = ranking.rank([hot])[0]
    assert first.cautions[0] == TEXTS["SC12"]
    assert ranking.rank([replace(hot, value=104.0)])[0].cautions == ()


def test_weight_is_safety_times_evidence_times_age() -> None:
    """By hand: -log10 of 0.001 is 3; fuel under pressure 1.5; last seen 200 days before the newest 0.7."""
    grave = _like(cautions=(TEXTS["SC01"],), last_seen=SEEN - timedelta(days=200))
    assert ranking.weight(grave, SEEN) == pytest.approx(1.5 * 3 * 0.7)
    assert ranking.weight(replace(grave, robust=True), SEEN) == pytest.approx(1.5 * 4 * 0.7)
    assert ranking.weight(_like(q=1e-50), SEEN) == pytest.approx(6.0)
    assert ranking.weight(_like(last_seen=SEEN - timedelta(days=400)), SEEN) == pytest.approx(3 * 0.4)
