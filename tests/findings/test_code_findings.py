"""Codes in words: tiers by the settled thresholds, claims with their n, one matter told once, battery first."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from pipeline.findings import code_exposures, code_words, codes, low_voltage, ranking
from pipeline.findings.records import Finding
from pipeline.settings import Codes
from pipeline.vocabulary import low_voltage as rules_of_evidence

RULES = Codes()
NOBODY = codes.Company()
COHORT = {"cohort_id": "c", "make": "Tarnwell", "model": "Bracken 22", "engine": "2.2D", "model_year": 2017}
DAY = dt.datetime(2026, 3, 1, 8)
# Ends of Wilson's interval as statsmodels' proportion_confint(k, n, method="wilson") gives them.
WILSON = {(16, 17): (0.7302, 0.9895), (4, 4): (0.5101, 1.0), (3, 3): (0.4385, 1.0), (3, 4): (0.3006, 0.9544)}
VAN = COHORT | {
    "van": "013", "module": "engine", "code": "P0401", "title": "recirculation flow too low", "structure": "standard",
    "first_seen": DAY, "last_seen": DAY, "n_present": 25, "n_readers": 2, "last_status": "confirmed", "had_lamp": True,
    "n_low_voltage": 0, "n_later_covered": 17, "n_later_present": 16, "share": 16 / 17, "share_low": 0.7302,
    "share_high": 0.9895, "n_absent_since": 0, "chance_of_absence": 1.0, "n_present_uncovered": 0, "n_clears": 0,
    "n_clears_survived": 0, "n_siblings": 11, "n_siblings_with": 0, "has_returned": None, "days_low": None,
    "days_high": None, "km_low": None, "km_high": None,
}  # fmt: skip
MODEL = COHORT | {
    "cohort": "Tarnwell Bracken 22 2.2D 2017", "module": "body", "code": "90417", "title": None, "structure": "number",
    "n_vans": 10, "n_vans_with": 8, "n_vans_unknown": 1, "share": 0.8, "share_low": 0.4902, "share_high": 0.9433,
    "n_scans": 40, "n_vans_lamp": 0, "n_vans_lamp_known": 3, "first_seen": DAY, "last_seen": DAY,
}  # fmt: skip
HAVING = [{"cohort_id": "c", "module": "body", "code": "90417", "van": f"{n:03d}"} for n in range(1, 9)]


def _van(seen: int | None = None, asked: int | None = None, **changed: Any) -> dict[str, Any]:
    row = VAN | changed
    if seen is not None and asked is not None:
        low, high = WILSON[seen, asked]
        row |= {"n_later_present": seen, "n_later_covered": asked, "share": seen / asked}
        row |= {"share_low": low, "share_high": high}
    return row


def _persistent(**changed: Any) -> Finding:
    (found,) = codes.find_persistent([_van(**changed)], NOBODY, RULES)
    return found


@pytest.mark.parametrize(
    ("seen", "asked", "tier"), [(16, 17, "finding"), (4, 4, "finding"), (3, 3, "likely"), (3, 4, "likely")]
)
def test_a_code_is_persistent_where_half_of_the_later_scans_surely_show_it(
    seen: int, asked: int, tier: str
) -> None:
    assert _persistent(seen=seen, asked=asked).tier == tier


def test_two_later_scans_are_too_few() -> None:
    row = _van(n_later_present=2, n_later_covered=2, share=1.0, share_low=0.3424, share_high=1.0)
    assert codes.find_persistent([row], NOBODY, RULES) == []


def test_the_settings_move_the_bar() -> None:
    strict = Codes(persistent_share=0.8, persistent_scans=5)
    (found,) = codes.find_persistent([_van()], NOBODY, strict)
    assert found.tier == "likely"


def test_the_claim_has_counts_interval_siblings_and_lamp() -> None:
    found = _persistent()
    assert found.claim == (
        "Van 013 keeps showing P0401 (recirculation flow too low, engine module): on 16 of the 17 later scans that "
        "could show it (94 %, 95 % interval 73 to 99 %), first seen 01 Mar 2026. None of its 11 siblings has it. It lights "
        "the warning lamp."
    )
    assert (found.kind, found.code, found.module, found.van) == ("code_persistent", "P0401", "engine", "013")
    assert (found.value, found.interval_low, found.interval_high) == (16 / 17, 0.7302, 0.9895)
    assert (found.n_siblings, found.n_scans) == (11, 17)
    assert any("nobody cleared" in rival for rival in found.rivals)
    assert any("recirculation" in line for line in found.cautions)  # never to be disabled
    assert any("clearing erases" in line for line in found.cautions)


def test_a_code_that_outlives_its_clearings_is_likely_even_where_it_comes_and_goes() -> None:
    changed = {
        "n_later_present": 4,
        "n_later_covered": 13,
        "share": 4 / 13,
        "share_low": 0.1268,
        "share_high": 0.5763,
    }
    back = {"n_clears": 3, "n_clears_survived": 3, "has_returned": True, "days_low": 15, "days_high": 39}
    found = _persistent(**changed, **back, km_low=49.0, km_high=1897.0)
    assert found.tier == "likely"
    assert (
        "Cleared 3 times, back each time; after the first clearing it came back between day 15 and day 39 "
        "(49 to 1,897 km)." in found.claim
    )
    assert not any("nobody cleared" in rival for rival in found.rivals)


def test_a_code_gone_for_good_is_only_watched() -> None:
    found = _persistent(n_absent_since=4, chance_of_absence=0.01)
    assert found.tier == "watch"
    assert "absent from the last 4 scans" in found.claim
    assert _persistent(n_absent_since=4, chance_of_absence=0.3).tier == "finding"


def test_without_known_coverage_nobody_can_say_how_often() -> None:
    none = {"n_later_present": 0, "n_later_covered": 0, "share": None, "share_low": None, "share_high": None}
    found = _persistent(**none, n_present=9, n_present_uncovered=9, n_siblings=0, chance_of_absence=None)
    assert found.tier == "watch"
    assert "do not say which modules they asked" in found.claim
    assert (found.value, found.unit, found.against, found.n_scans) == (None, None, None, 9)


def test_the_id_outlives_a_corrected_register() -> None:
    assert _persistent().finding_id == _persistent(model_year=2018, cohort_id="d").finding_id
    assert _persistent().finding_id != _persistent(code="P0402").finding_id


def test_a_code_of_the_cohort_is_one_matter_with_its_vans() -> None:
    (found,) = codes.find_fleetwide([MODEL], NOBODY, HAVING, RULES)
    assert found.tier == "finding"
    assert found.claim.startswith(
        "8 of 10 vans of Tarnwell Bracken 22 2.2D 2017 have 90417 (the maker's own, no text known, body module) "
        "(80 %, 95 % interval 49 to 94 %; judged by each van's newest scans that could show it): 001, 002,"
    )
    assert "1 van more cannot be told." in found.claim
    assert [a["van"] for a in found.also] == [row["van"] for row in HAVING]
    assert {"parameter", "state", "difference"} <= set(found.also[0])
    company = codes.Company(fleetwide={("c", "body", "90417"): MODEL})
    row = VAN | {"van": "001", "module": "body", "code": "90417", "title": None, "structure": "number"}
    (own,) = codes.find_persistent([row], company, RULES)
    assert own.tier == "watch"
    assert "8 of 10 vans of its cohort have it" in own.rivals[0]
    weak = row | {"share_low": 0.2}  # to be watched at most: the cohort's entry says it
    assert codes.find_persistent([weak], company, RULES) == []


@pytest.mark.parametrize(
    ("n_with", "low", "tier"),
    [(3, 0.30, "finding"), (3, 0.2999, "likely"), (3, 0.1, "watch"), (2, 0.5, None)],
)
def test_a_code_is_fleet_wide_where_three_vans_and_three_tenths_surely_have_it(
    n_with: int, low: float, tier: str | None
) -> None:
    found = codes.find_fleetwide([MODEL | {"n_vans_with": n_with, "share_low": low}], NOBODY, HAVING, RULES)
    assert [f.tier for f in found] == ([tier] if tier else [])


def test_what_goes_with_an_exposure_is_not_blamed_on_the_model() -> None:
    exposure = {"attribute": "parking", "level_name": "open", "others_share_low": {"c": 0.05}}
    company = codes.Company(exposures={("body", "90417"): [exposure]})
    (found,) = codes.find_fleetwide([MODEL], company, HAVING, RULES)
    assert found.tier == "watch"
    assert "Among its vans without parking open it is not fleet-wide." in found.claim
    exposure["others_share_low"] = {"c": 0.4}  # the others have it too
    (found,) = codes.find_fleetwide([MODEL], company, HAVING, RULES)
    assert found.tier == "finding"
    assert "parking open" in found.rivals[0]


def test_an_undescribed_number_is_told_by_its_company_and_its_end() -> None:
    fellow = {"other_code": "P0401", "other_module": "engine", "n_both": 9, "n_either": 12, "n_vans_both": 3}
    ending = {"what": "replaced", "part": "door lock", "n_vans": 2}
    company = codes.Company({("body", "90417"): [fellow]}, {("body", "90417"): [ending]})
    (found,) = codes.find_fleetwide([MODEL], company, HAVING, RULES)
    assert "It travels with P0401 (engine) on 9 of 12 scans with either, 3 vans." in found.claim
    assert "It was gone after: replaced door lock (2 vans)." in found.claim
    assert code_words.next_check(MODEL).startswith("Ask the maker")


CLUSTER = COHORT | {
    "scan_key": "R/1", "scan_id": "1", "van": "028", "reader": "R", "scanned_at": DAY, "points": 9, "verdict": "likely",
    "is_cluster": True, "is_over": False, "standing_days": 9.0, "work_before": None, "rest_v": 11.9,
    "cranking_v": None, "cranking_floor_v": None, "freeze_v": None,
}  # fmt: skip
CODES = [
    {"scan_key": "R/1", "module": m, "code": c}
    for m, c in (("engine", "P0562"), ("brakes", "U0100"), ("airbag", "U0100"))
]
HELD = [
    {"scan_key": "R/1", "rule": "supply_code", "points": 3, "says": "a code for low supply voltage"},
    {"scan_key": "R/1", "rule": "weak_voltage", "points": 2, "says": "the battery was low at rest"},
]


def _cluster(**changed: Any) -> list[Finding]:
    return low_voltage.find([CLUSTER | changed], CODES, HELD)


def test_a_storm_is_a_battery_question_first() -> None:
    (found,) = _cluster()
    assert found.tier == "finding"
    assert found.claim == (
        "Van 028, scan of 01 Mar 2026: 3 codes in 3 modules, P0562 (engine), U0100 (brakes), U0100 (airbag), look like "
        "low supply voltage rather than 3 faults: it had stood 9 days; 11.90 V at rest (2 signs of it, 9 points where "
        "6 make it likely)."
    )
    assert found.next_check.startswith("Battery first: save codes and freeze frames, measure rest voltage")
    assert [(a["module"], a["code"]) for a in found.also] == [(c["module"], c["code"]) for c in CODES]
    assert any("Charging gives hydrogen" in line for line in found.cautions)
    assert any("Restraint systems" in line for line in found.cautions)
    assert any("never infer the voltage" in rival for rival in found.rivals)


@pytest.mark.parametrize(
    ("changed", "tier"),
    [
        ({"verdict": "possible"}, "likely"),
        ({"verdict": "possible", "is_cluster": False}, "watch"),
        ({"is_over": True}, "watch"),
        ({"verdict": "not_supported"}, None),
    ],
)
def test_a_cluster_is_told_as_surely_as_the_evidence_is(changed: dict[str, Any], tier: str | None) -> None:
    assert [f.tier for f in _cluster(**changed)] == ([tier] if tier else [])


def test_what_speaks_against_it_is_said() -> None:
    against = {
        "scan_key": "R/1",
        "rule": "stored_running_well",
        "points": -2,
        "says": "a freeze frame shows the engine running on good voltage",
    }
    (found,) = low_voltage.find([CLUSTER | {"points": 7}], CODES, [*HELD, against])
    assert (
        "7 points where 6 make it likely; against it: a freeze frame shows the engine running" in found.claim
    )


def test_a_scan_without_any_voltage_says_so() -> None:
    (found,) = _cluster(rest_v=None, standing_days=None, verdict="possible", points=4)
    assert "may come from low supply voltage" in found.claim
    assert "no voltage and no standing time is known" in found.claim
    assert found.unit is None


ASSOCIATION: dict[str, Any] = {
    "attribute": "parking", "level": "open", "level_name": "Open", "module": "body", "code": "51207", "title": None,
    "structure": "number", "odds_ratio": 50.55, "odds_low": 7.41, "odds_high": 344.95, "p": 1e-6, "q": 2e-5,
    "n_vans": 60, "n_strata": 9, "n_exposed_with": 21, "n_exposed_without": 5, "n_other_with": 7,
    "n_other_without": 27, "rival_attribute": None, "rival_level": None, "p_beside_rival": None, "tier": "finding",
}  # fmt: skip


def test_an_association_has_counts_odds_and_says_that_it_is_no_cause() -> None:
    guard = ASSOCIATION | {"attribute": "windscreen_guard", "level_name": "no", "tier": "none"}
    guard |= {"rival_attribute": "parking", "rival_level": "Open"}
    (found,) = code_exposures.find([ASSOCIATION, guard])
    assert found.claim == (
        "Vans with parking Open show 51207 (the maker's own, no text known, body module) more often: 21 of 26 vans "
        "against 7 of 34 of their siblings without (odds ratio 51, interval 7.4 to 345; counted within 9 cohorts). "
        "An association, not a cause."
    )
    assert (found.attribute, found.level, found.code, found.against) == (
        "parking",
        "Open",
        "51207",
        "other_level",
    )
    assert "windscreen guard no goes with it too, but hardly among vans alike in parking" in found.rivals


def test_odds_without_an_end_are_told_without_a_number() -> None:
    row = ASSOCIATION | {"odds_ratio": None, "odds_high": None, "n_strata": 1}
    (found,) = code_exposures.find([row])
    assert "odds ratio any size, interval 7.4 to any size; counted within one cohort" in found.claim
    assert (found.value, found.interval_low, found.interval_high) == (None, None, None)


def test_a_model_year_is_told_as_one() -> None:
    row = ASSOCIATION | {"attribute": "model_year", "level": "2018", "level_name": "2018", "odds_ratio": 0.2}
    (found,) = code_exposures.find([row])
    assert found.claim.startswith("Model year 2018 shows 51207 (")
    assert "less often" in found.claim


@pytest.mark.parametrize(
    ("code", "begins"),
    [
        ("P0401", "Read recirculation command"),
        ("P0562", "Battery first"),
        ("U0100", "Measure rest"),
        ("P1234", "Save"),
    ],
)
def test_the_check_of_the_longest_beginning_is_named(code: str, begins: str) -> None:
    assert code_words.next_check(VAN | {"code": code}).startswith(begins)


def test_findings_about_codes_can_be_ranked_with_the_others() -> None:
    found = [*_cluster(), _persistent(), *code_exposures.find([ASSOCIATION])]
    assert [f.kind for f in ranking.rank(found)] == [
        "low_voltage_cluster",  # brake codes: the stop-use notice goes before everything
        "exposure_effect",
        "code_persistent",
    ]


def test_every_rule_of_evidence_has_words_a_source_and_codes_that_lead_somewhere() -> None:
    data = rules_of_evidence.rules()
    assert [r["key"] for r in data["rule"]] == [key for key, *_ in rules_of_evidence.rule_rows()]
    for rule in data["rule"]:
        assert rule["says"], rule["key"]
        assert rule["source"], rule["key"]
    page = (Path(__file__).parents[2] / "docs" / "codes.md").read_text(encoding="utf-8")
    for _, points, says, source in rules_of_evidence.rule_rows():
        assert f"| {says} | {points:+d} | {source} |" in page
    begins = [b for _, b in rules_of_evidence.code_rows()]
    assert not any("P0563".startswith(b) or "P0687".startswith(b) or "P0690".startswith(b) for b in begins)
    floors = list(rules_of_evidence.floor_rows())
    assert all(a[1] == b[0] and a[3] == b[2] for a, b in pairwise(floors))
