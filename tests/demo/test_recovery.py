"""What is planted in the demo fleet is found, what is not is left alone.

The expectations are those of demo_warehouse/scenario.toml, written before any of it was compared; recall by
size is printed beside the targets of the method (see docs/how_vans_are_compared.md).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from demo_warehouse.generate import DemoFleet
from demo_warehouse.scenario import Scenario, read_scenario
from demo_warehouse.story import Effect
from pipeline import ingest
from pipeline.findings.records import AGAINST, KINDS, TIERS
from pipeline.warehouse import publish
from tests.conftest import Demo

SAYS_SO = ("finding", "likely")  # the tiers that point at something; a watch only lists it
ABOUT_ONE_VAN = ("van_level", "van_change", "van_drift", "reading_frozen")

# Kinds of finding the program does not judge yet. What is planted for them is expected to be missed, and the day
# one is found the test says so: take the kind out here then.
NOT_JUDGED_YET: set[str] = set()

# Readings made of others in the same control unit (levels.toml, `formula` and `relative_to`) or by the
# warehouse from them: whoever plants one moves the other.
FOLLOWS = {
    "air_mass_per_stroke": {"air_mass_flow", "fill_index"},
    "injection_quantity": {"fuel_rate", "lambda"},
    "rail_pressure": {"rail_pressure_deviation"},
    "egr_position": {"egr_error"},
    "charge_air_temp": {"air_mass_per_stroke", "air_mass_flow", "fill_index"},
}


@dataclass(frozen=True)
class Outcome:
    """The demo as loaded and built: what was made, what loading said, every finding."""

    fleet: DemoFleet
    scenario: Scenario
    report: ingest.LoadReport
    findings: list[dict[str, Any]]


@pytest.fixture(scope="module")
def outcome(demo: Demo) -> Outcome:
    with publish.reading(demo.home) as connection:
        findings = connection.sql("select * from findings order by rank").pl().to_dicts()
    return Outcome(demo.fleet, read_scenario(), demo.report, findings)


def touched(effect: Effect) -> set[str]:
    """The readings an effect moves, with those that follow from them."""
    own = {cell.parameter for cell in effect.cells()} | ({effect.parameter} if effect.parameter else set())
    return own | {name for parameter in own for name in FOLLOWS.get(parameter, set())}


def named_parameters(finding: dict[str, Any]) -> set[str]:
    also = json.loads(finding["also"]) if finding["also"] else []
    return {str(finding["parameter"]), *(str(cell["parameter"]) for cell in also)}


def is_about(scenario: Scenario, effect: Effect, finding: dict[str, Any]) -> bool:
    """Whether a finding speaks of the subject of an effect."""
    if effect.cohort:
        cohort = next(c for c in scenario.cohorts if c.key == effect.cohort)
        if (finding["model"], finding["model_year"]) != (
            scenario.models[cohort.model].model,
            cohort.model_year,
        ):
            return False
    reader = scenario.readers[effect.reader].name if effect.reader else None
    pairs = (
        (effect.van, finding["van"]),
        (reader, finding["reader"]),
        (effect.attribute, finding["attribute"]),
        (effect.code, finding["code"]),
        (effect.against, finding["against"]),
    )
    if any(wanted is not None and wanted != given for wanted, given in pairs):
        return False
    if effect.van and finding["kind"] in ("record_conflict", "low_voltage_cluster"):
        return True
    return effect.parameter is None or bool(touched(effect) & named_parameters(finding))


def matches(outcome: Outcome, effect: Effect) -> list[dict[str, Any]]:
    return [
        f
        for f in outcome.findings
        if f["kind"] in effect.kinds and f["tier"] in SAYS_SO and is_about(outcome.scenario, effect, f)
    ]


def effects(expect: str) -> list[Effect]:
    return [e for e in read_scenario().effects if e.expect == expect]


def to_be_found() -> Iterator[Any]:
    for effect in effects("found"):
        is_early = set(effect.kinds) <= NOT_JUDGED_YET
        mark = pytest.mark.xfail(strict=True, reason=f"not judged yet: {', '.join(effect.kinds)}")
        yield pytest.param(effect, id=effect.id, marks=[mark] if is_early else [])


def brief(finding: dict[str, Any]) -> str:
    keys = ("tier", "kind", "van", "parameter", "state", "attribute", "code", "difference", "q")
    return ", ".join(f"{k}={finding[k]}" for k in keys if finding[k] is not None)


def test_every_file_is_taken_and_every_spoilt_line_is_shown(outcome: Outcome) -> None:
    inbox = [f for f in outcome.fleet.files if f.name.startswith("inbox/")]
    assert len(outcome.report.files) == len(inbox)
    assert [f.file for f in outcome.report.files if f.questions or not f.taken + f.duplicates] == []
    rejects = [(f.file, r.line) for f in outcome.report.files for r in f.rejects]
    assert len(rejects) == len(outcome.scenario.malformed), rejects


def test_what_was_exported_twice_is_taken_once(outcome: Outcome) -> None:
    """The scans of the second export, and all but one row of the bench scan that came again."""
    twice = next(f for f in outcome.fleet.files if "(2)" in f.name)
    again = next(f for f in outcome.fleet.files if f.name.endswith("_again.csv"))
    duplicates = sum(f.duplicates for f in outcome.report.files)
    assert duplicates > twice.rows + again.rows - 1  # the handheld's rows hold a dozen readings each
    taken = sum(f.taken for f in outcome.report.files)
    assert taken >= outcome.fleet.n_readings


@pytest.mark.parametrize("effect", list(to_be_found()))
def test_what_should_be_found_is_found(outcome: Outcome, effect: Effect) -> None:
    near = [brief(f) for f in outcome.findings if is_about(outcome.scenario, effect, f)]
    assert matches(outcome, effect), near


def test_no_update_is_told_to_have_moved_what_it_did_not(outcome: Outcome) -> None:
    planted = [e for e in outcome.scenario.effects if e.reader and e.against == "own_past"]
    told = [f for f in outcome.findings if f["kind"] == "reader_bias" and f["against"] == "own_past"]
    assert len(told) == len(planted) == 1
    assert is_about(outcome.scenario, planted[0], told[0])


@pytest.mark.parametrize("effect", effects("must_not_be_accused"), ids=lambda e: e.id)
def test_the_innocent_are_not_accused(outcome: Outcome, effect: Effect) -> None:
    """Decoy vans in any reading; decoy exposures bite once exposures are judged (NOT_JUDGED_YET)."""
    kinds = ABOUT_ONE_VAN if effect.van else ("exposure_effect",)
    accused = [
        brief(f)
        for f in outcome.findings
        if f["kind"] in kinds and f["tier"] in SAYS_SO and is_about(outcome.scenario, effect, f)
    ]
    assert accused == []


def test_hardly_anything_else_is_accused(outcome: Outcome) -> None:
    """Vans accused in a reading nobody touched: none as a finding, at most one in five as likely.

    q <= 0.05 lets one finding in twenty be false and q <= 0.20 one likely in five (Benjamini and Hochberg
    1995); with about twenty true matters here that is one and four.
    """
    planted = [e for e in outcome.scenario.effects if e.van and e.expect != "must_not_be_accused"]
    accused = [f for f in outcome.findings if f["kind"] in ABOUT_ONE_VAN and f["tier"] in SAYS_SO]
    stray = [
        f for f in accused if not any(e.van == f["van"] and touched(e) & named_parameters(f) for e in planted)
    ]
    assert [brief(f) for f in stray if f["tier"] == "finding"] == []
    assert len(stray) <= 4, [brief(f) for f in stray]


def test_records_contradict_each_other_only_where_planted(outcome: Outcome) -> None:
    planted = {e.van for e in outcome.scenario.effects if "record_conflict" in e.kinds}
    shared = {"043"}  # 044 carries its number
    told = {f["van"] for f in outcome.findings if f["kind"] == "record_conflict" and f["tier"] in SAYS_SO}
    assert told <= planted | shared


def test_codes_are_told_only_where_planted(outcome: Outcome) -> None:
    """Rare codes on every van, and the storm's nine, accuse nobody; a code of a whole year is one matter."""
    planted = {
        (van, habit.code)
        for habit in outcome.scenario.codes
        for van in habit.vans
        if habit.effect is not None or habit.chance > 0.25
    }
    exposed = {habit.code for habit in outcome.scenario.codes if habit.exposure}
    told = [f for f in outcome.findings if f["kind"] == "code_persistent" and f["tier"] in SAYS_SO]
    stray = [brief(f) for f in told if (f["van"], f["code"]) not in planted and f["code"] not in exposed]
    assert stray == []
    year = next(e for e in outcome.scenario.effects if e.id == "number_on_a_whole_year")
    of_the_year = [f for f in outcome.findings if f["code"] == year.code and f["tier"] in SAYS_SO]
    assert [(f["kind"], f["n_vans"]) for f in of_the_year] == [("code_fleetwide", 10)]
    assert len(json.loads(of_the_year[0]["also"])) == 8
    fleetwide = {
        f["code"] for f in outcome.findings if f["kind"] == "code_fleetwide" and f["tier"] in SAYS_SO
    }
    assert fleetwide <= {year.code} | exposed


def test_a_storm_of_codes_is_one_battery_question(outcome: Outcome) -> None:
    storm = outcome.scenario.storm
    (found,) = [f for f in outcome.findings if f["kind"] == "low_voltage_cluster"]
    assert (found["van"], found["tier"]) == (storm.van, "finding")
    assert {(c["module"], c["code"]) for c in json.loads(found["also"])} == {(m, c) for m, c in storm.codes}
    for words in ("stood 9 days", "11.72 V at rest", "10.1 V in a freeze frame", "9 codes in 4 modules"):
        assert words in found["claim"]
    assert found["next_check"].startswith("Battery first")
    accused = [f for f in outcome.findings if f["van"] == storm.van and f["kind"] == "code_persistent"]
    assert [brief(f) for f in accused] == []


def test_every_finding_uses_the_words_that_scripts_rely_on(outcome: Outcome) -> None:
    assert {f["kind"] for f in outcome.findings} <= set(KINDS)
    assert {f["tier"] for f in outcome.findings} <= set(TIERS)
    assert {f["against"] for f in outcome.findings if f["against"]} <= set(AGAINST)


def test_a_code_that_goes_with_the_sun_is_told_as_such(outcome: Outcome) -> None:
    effect = next(e for e in outcome.scenario.effects if e.id == "code_of_the_sun")
    told = [f for f in outcome.findings if f["kind"] == "exposure_effect" and f["code"] is not None]
    assert [(f["attribute"], f["level"], f["code"]) for f in told if f["tier"] in SAYS_SO] == [
        (effect.attribute, effect.level, effect.code)
    ]


def test_a_slow_climb_is_told_as_a_drift_and_of_no_other_van(outcome: Outcome) -> None:
    effect = next(e for e in outcome.scenario.effects if e.id == "regulator_wears")
    told = [f for f in outcome.findings if f["kind"] == "van_drift" and f["tier"] in SAYS_SO]
    assert [(f["van"], f["parameter"], f["tier"]) for f in told] == [
        (effect.van, effect.parameter, "finding")
    ]
    assert "has climbed by 0.3" in told[0]["claim"]
    assert "away from its 5 siblings for 17 months" in told[0]["claim"]


def test_a_readers_update_is_told_as_such_and_of_no_reader_as_a_bias_all_along(outcome: Outcome) -> None:
    """Left in, the step makes the tablet seem to read cold all along, and vans seem to warm in February."""
    effect = next(e for e in outcome.scenario.effects if e.id == "bench_update_warms_the_oil")
    told = [
        f for f in outcome.findings if f["kind"] == "reader_bias" and effect.parameter in named_parameters(f)
    ]
    assert [(f["reader"], f["level"], f["against"], f["tier"]) for f in told] == [
        ("Bench reader", effect.level, "own_past", "finding")
    ]
    assert "from 3.1 to 3.2 in February 2026" in told[0]["claim"]
    planted = (effect.sigma or 0.0) * outcome.scenario.van_sd("oil_temp", "warm_idle", "bracken")
    assert told[0]["interval_low"] < planted < told[0]["interval_high"]


def test_work_is_judged_as_it_was_planted(outcome: Outcome) -> None:
    """A regulator that held, a valve cleaned in vain, a code that came back, a sensor not scanned since; no more."""
    told = {
        (f["van"], f["parameter"] or f["code"]): (f["level"], f["tier"])
        for f in outcome.findings
        if f["kind"] == "repair_effect"
    }
    # which of the sensor's readings leads is chance: none has been read since
    waiting = {key for key in told if key[0] == "037"}
    assert len(waiting) == 1
    assert {told.pop(key) for key in waiting} == {("too_early", "not_enough_evidence")}
    assert told == {
        ("039", "rail_regulator_duty"): ("held", "finding"),
        ("049", "egr_position"): ("not_held", "finding"),
        ("050", "P0380"): ("not_held", told["050", "P0380"][1]),
    }
    assert told["050", "P0380"][1] in SAYS_SO


def test_recall_by_size(outcome: Outcome, record_property: Any, capsys: pytest.CaptureFixture[str]) -> None:
    """Prints what was found of each size; hard pairs, two like faults in one cohort, stand in a line of their own.

    0.85 is the method's target for levels at eight sigma with four siblings, for faults that stand alone. The two of
    the pair in charge air temperature were once counted with them: one was "likely" at q = 0.198, which is chance.
    """
    table: dict[tuple[str, float], list[bool]] = {}
    for effect in outcome.scenario.effects:
        if effect.van and effect.sigma and effect.kinds[0] in ("van_level", "van_change"):
            found = bool(matches(outcome, effect))
            is_hard = effect.sigma >= 8 and effect.expect == "may_be_missed"
            name = "hard pair" if is_hard else effect.kinds[0]
            table.setdefault((name, abs(effect.sigma)), []).append(found)
    lines = [
        f"{kind} at {size:g} sigma: {sum(hit)} of {len(hit)}" for (kind, size), hit in sorted(table.items())
    ]
    with capsys.disabled():
        print("\n" + "\n".join(lines))  # noqa: T201
    record_property("recall", "; ".join(lines))
    large = table["van_level", 8.0]
    assert sum(large) >= 0.85 * len(large)
    assert all(table["van_change", 4.0])


def test_the_story_comes_first(outcome: Outcome) -> None:
    """The first screen holds what a workshop would act on: the cold van, the weak rail, the battery, the limit."""
    wanted = ("runs_cold", "low_rail_pressure", "weak_battery", "limit_of_another_year")
    first = {id(f) for f in outcome.findings[:20]}
    missing = [
        e.id
        for e in outcome.scenario.effects
        if e.id in wanted and not any(id(f) in first for f in matches(outcome, e))
    ]
    assert missing == []


def test_findings_tell_no_paths(outcome: Outcome, tmp_path: Path) -> None:
    text = json.dumps(outcome.findings, default=str)
    assert str(outcome.fleet.folder) not in text
    assert str(tmp_path.parent) not in text
