"""Exposures and readers put into words, and the tiers of shifts that many vans share."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from pipeline.build import cause_evidence, reader_evidence
from pipeline.findings import exposures, readers
from pipeline.settings import Settings

DAY = datetime(2026, 1, 5)


def exposure(**more: Any) -> dict[str, Any]:
    known = {
        "attribute": "parking", "level": "open", "level_name": "open", "other_level_name": "shaded", "parameter": "intake_air_temp",
        "state": "warm_idle", "unit": "°C", "tier": "finding", "effect": 6.0, "shift": 6.0, "shift_low": 4.5,
        "shift_high": 7.5, "score": 5.0, "p": 1e-6, "q": 1e-4, "n_vans": 12, "n_vans_other": 14, "n_cohorts": 3,
        "n_pairs": 0, "n_scans": 300, "first_seen": DAY, "last_seen": DAY, "pair_shift": None, "pair_low": None,
        "pair_high": None, "twin_attribute": None, "twin_level": None, "smallest_useful": 5.0, "scan_sd": None,
    }  # fmt: skip
    return known | more


def overlap(**more: Any) -> dict[str, Any]:
    known = {
        "rival": "depot",
        "rival_level": "Hill Yard",
        "n_same": 0,
        "n_vans": 26,
        "shift": None,
        "p": None,
    }
    return known | more


def tell_exposure(overlaps: list[dict[str, Any]] | None = None, **more: Any) -> Any:
    (found,) = exposures.find([exposure(**more)], {("parking", "open"): overlaps or []})
    return found


def test_an_exposure_says_how_much_against_what_and_that_it_is_an_association() -> None:
    found = tell_exposure()
    assert "6" in found.claim
    assert "12 against 14 vans in 3 groups of like vans" in found.claim
    assert "association" in found.claim
    assert found.n_vans == 26
    assert (found.interval_low, found.interval_high) == (4.5, 7.5)


def test_what_is_not_taken_off_says_so() -> None:
    assert "Not sure enough to be taken off" in tell_exposure(effect=0.0, tier="likely").claim


def test_a_twin_is_told_as_mixed_and_only_one_is_to_be_changed() -> None:
    found = tell_exposure(twin_attribute="wind_guard", twin_level="yes")
    assert any(r.startswith("Mixed: wind guard yes") for r in found.rivals)
    assert "Change only parking on two vans, not wind guard" in found.next_check


@pytest.mark.parametrize(("same", "named"), [(21, True), (20, False)])  # 0.8 of 26 is 20.8
def test_what_goes_along_on_most_vans_is_named(same: int, named: bool) -> None:
    found = tell_exposure([overlap(n_same=same)])
    assert any("goes along on" in r for r in found.rivals) is named


def test_mileage_that_differs_clearly_is_named() -> None:
    found = tell_exposure([overlap(rival="odometer_km", rival_level="", shift=40_000.0, p=0.001)])
    assert any("40,000 km more on the clock" in r for r in found.rivals)


def test_vans_seen_both_ways_that_did_not_move_deny_it() -> None:
    denied = tell_exposure(n_pairs=6, pair_shift=0.2, pair_low=-1.0, pair_high=1.5)
    assert any("did not move" in r for r in denied.rivals)
    agreed = tell_exposure(n_pairs=6, pair_shift=5.5, pair_low=4.0, pair_high=7.0)
    assert not any("did not move" in r for r in agreed.rivals)


@pytest.mark.parametrize(
    ("scan_sd", "vans"),
    # three scans each way: sd of a van's change is scan_sd x sqrt(2 / 3); 34 pairs find half a standard deviation
    [(None, 6), (1.0, 6), (6.0 / 0.5 / (2 / 3) ** 0.5, 34)],
)
def test_how_many_vans_must_change_is_worked_out(scan_sd: float | None, vans: int) -> None:
    assert f"on {vans} more vans" in tell_exposure(scan_sd=scan_sd).next_check


def test_states_of_one_reading_are_one_matter() -> None:
    rows = [exposure(), exposure(state="steady_cruise", p=1e-3, shift=3.0)]
    (found,) = exposures.find(rows, {})
    assert found.state == "warm_idle"
    assert found.also == ({"parameter": "intake_air_temp", "state": "steady_cruise", "difference": 3.0},)


def bias(**more: Any) -> dict[str, Any]:
    known = {
        "reader": "Yard tablet", "reference": "Bench", "parameter": "supply_voltage", "state": "warm_idle", "unit": "V",
        "tier": "finding", "effect": 0.25, "estimate": 0.25, "low": 0.2, "high": 0.3, "p": 1e-6, "q": 1e-4, "n_vans": 12,
        "n_scans": 90, "first_seen": DAY, "last_seen": DAY, "agreeing": [], "is_reference": False, "scan_sd": 0.1,
        "smallest_useful": 0.3,
    }  # fmt: skip
    return known | more


def test_a_biased_reader_is_named_against_its_reference_and_either_may_be_off() -> None:
    (found,) = readers.find([bias()], [])
    assert "Yard tablet shows 0.25 V more than Bench on the same vans" in found.claim
    assert "taken off before vans are compared" in found.claim
    assert any("with two readers it cannot be said which" in r for r in found.rivals)


def test_a_third_reader_that_agrees_says_which() -> None:
    (found,) = readers.find([bias(agreeing=["Old handheld"])], [])
    assert any("Old handheld agrees with it" in r for r in found.rivals)


def test_an_unsure_bias_says_how_many_vans_would_settle_it() -> None:
    # sd of a difference 0.1 x sqrt 2; 0.0707 is half of it: 34 vans, as for Cohen's middle effect
    (found,) = readers.find([bias(effect=0.0, tier="likely", estimate=0.0707107)], [])
    assert "Not sure enough" in found.claim
    assert found.next_check.startswith("To be sure, read 34 vans at warm idle with both readers")


def test_states_of_one_bias_are_one_matter_and_readings_are_not() -> None:
    rows = [bias(), bias(state="raised_idle", p=0.01), bias(parameter="coolant_temp")]
    assert sorted(len(f.also) for f in readers.find(rows, [])) == [0, 1]


@pytest.mark.parametrize(
    ("q", "difference", "smallest", "tier"),
    [
        (0.01, 1.0, 1.0, "finding"),
        (0.05, 1.0, 1.0, "finding"),
        (0.10, 1.0, 1.0, "likely"),
        (0.30, 1.0, 1.0, "none"),
        (0.01, 0.3, 1.0, "finding"),  # smaller than one van's floor, still many vans'
        (0.01, 0.09, 1.0, "watch"),  # below a tenth of it
        (0.01, -0.09, None, "finding"),
    ],
)
def test_the_tier_of_a_shift_many_vans_share(
    q: float, difference: float, smallest: float | None, tier: str
) -> None:
    assert cause_evidence.grade(q, difference, smallest, Settings()) == tier


def effect(reader: str, estimate: float, **more: Any) -> dict[str, Any]:
    return bias(
        reader=reader, estimate=estimate, low=estimate - 0.02, high=estimate + 0.02, effect=estimate, **more
    )


def test_a_reference_that_all_others_differ_from_alike_is_the_odd_one() -> None:
    odd = reader_evidence._odd_one([effect("B", 0.25), effect("C", 0.27)])
    assert odd is not None
    assert (odd["reader"], odd["is_reference"]) == ("Bench", True)
    assert odd["estimate"] in (-0.25, -0.27)
    assert odd["low"] < odd["estimate"] < odd["high"]


@pytest.mark.parametrize(
    "rows",
    [
        [effect("B", 0.25)],  # with two readers nobody can say
        [effect("B", 0.25), effect("C", -0.25)],  # in opposite ways
        [effect("B", 0.25), effect("C", 0.80)],  # not alike
        [effect("B", 0.25), {**effect("C", 0.27), "effect": 0.0}],  # one of them not sure
    ],
    ids=["two readers", "opposite", "unlike", "unsure"],
)
def test_else_the_reference_stands(rows: list[dict[str, Any]]) -> None:
    assert reader_evidence._odd_one(rows) is None


def test_readers_agree_only_where_their_interval_says_so() -> None:
    own = effect("B", 0.25)
    close = {**effect("C", 0.01), "effect": 0.0}
    vague = {**effect("D", 0.01), "effect": 0.0, "low": -0.2, "high": 0.2}
    assert reader_evidence._agreeing(own, [own, close, vague]) == ["C"]
