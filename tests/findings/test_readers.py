"""What is the reader: a biased one is named and no van is; one that met no other is never the van's fault, always said.

The target is 100 % (a reader confounded with vans ends in "not enough evidence"). Each case is a model family of
its own with readers of its own; all of them stand in one home, as a firm with many readers has them.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from pipeline import vocabulary
from pipeline.compare.power import pairs_needed
from tests.findings.model_families import READINGS, SCANS, VANS, Family, Shift, accused, findings_of

BENCH = "Bench reader"
OFF = 7.0  # between-van standard deviations by which the tablet reads high: a van so far off would be found

# name: vans read by the tablet alone, vans read by both in turn
LAYOUTS: dict[str, tuple[list[int], list[int]]] = {
    "one van": ([4], []),
    "two vans of two cohorts": ([4, 25], []),
    "half a cohort": ([0, 1, 2, 3, 4], []),
    "most of a cohort": ([*range(7)], []),
    "a whole cohort": ([*range(10, 20)], []),
    "half the fleet": ([*range(20)], []),
    "one van shared": ([4, 5], [6]),
    "three vans shared": ([4, 15, 25], [6, 16, 26]),
}
# Siblings all of whom the tablet has read are compared as ever.
WHOLE_COHORTS = ("a whole cohort", "half the fleet")
# Where the tablet has read most of a cohort, those that it has not read are the ones that stand alone.
OUTNUMBERED = {"most of a cohort": ([7, 8, 9], "Yard tablet most of a cohort")}
FOUR_SHARED: tuple[list[int], list[int]] = ([4, 15, 25], [6, 16, 26, 36])
TWO_SHARED: tuple[list[int], list[int]] = ([], [6, 16])
BOTH = "both on many vans"
SEEDS = range(3)


def _tablet(name: str) -> str:
    return f"Yard tablet {name}"


def _everywhere(by_tablet: np.ndarray, seed: int, off: float, name: str) -> Family:
    """A family whose tablet reads high in every reading, by `off` standard deviations between vans."""
    shifts = tuple(Shift(key, off * tau, by_tablet) for key, (_, tau, _) in READINGS.items())
    return Family(name, np.where(by_tablet, _tablet(name), BENCH), shifts, seed)


def _by_tablet(alone: list[int], shared: list[int]) -> np.ndarray:
    by_tablet = np.zeros((VANS, SCANS), dtype=bool)
    by_tablet[alone] = True
    by_tablet[np.ix_(shared, range(0, SCANS, 2))] = True
    return by_tablet


def _families() -> list[Family]:
    rng = np.random.default_rng(1)
    # some vans mostly by the second
    second = rng.random((VANS, SCANS)) < rng.choice([0.1, 0.5, 0.9], VANS)[:, None]
    readers = np.where(second, _tablet(BOTH), BENCH)
    biased = Family(BOTH, readers, (Shift("supply_voltage", 0.25, second),), seed=2)
    # two vans of different cohorts read with nothing else, four standard deviations off
    unmet = [_everywhere(_by_tablet([3, 17], []), 10 + seed, 4.0, f"unmet {seed}") for seed in SEEDS]
    layouts = [_everywhere(_by_tablet(*LAYOUTS[name]), 70 + len(name), OFF, name) for name in LAYOUTS]
    enough = _everywhere(_by_tablet(*FOUR_SHARED), 79, OFF, "four vans shared")
    by_second = _by_tablet(*TWO_SHARED)
    aside = np.where(by_second, _tablet("two vans shared"), BENCH)
    shared_only = Family("two vans shared", aside, (Shift("rail_pressure", OFF * 0.9, by_second),), seed=81)
    return [biased, *unmet, *layouts, enough, shared_only]


FAMILIES = {family.model: family for family in _families()}


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    return findings_of(tmp_path_factory.mktemp("readers"), list(FAMILIES.values()))


def _told_of(found: list[dict[str, Any]], name: str) -> list[dict[str, Any]]:
    """The matters that name a reader of one family."""
    return [f for f in found if f["kind"] == "reader_bias" and f["reader"] == _tablet(name)]


def _named_parameters(finding: dict[str, Any]) -> set[str]:
    return {finding["parameter"], *(a["parameter"] for a in finding["also"])}


def _vans_that_decide(parameter: str, shared: int) -> int:
    """Vans to read with both readers once, beside those shared: enough for the smallest useful difference, four at least.

    The scatter is the one planted; the warehouse has to estimate it, hence two vans either way.
    """
    sd = 2**0.5 * READINGS[parameter][2]
    needed = pairs_needed(vocabulary.parameter(parameter).smallest_useful, sd, least=4) or 4
    return max(needed - shared, 1)


def test_a_biased_reader_is_named_and_no_van_is(found: list[dict[str, Any]]) -> None:
    (bias,) = _told_of(found, BOTH)
    assert (bias["parameter"], bias["tier"]) == ("supply_voltage", "finding")
    assert abs(bias["difference"]) == pytest.approx(0.25, abs=0.03)
    assert bias["interval"][0] < bias["difference"] < bias["interval"][1]
    assert accused(found) & set(FAMILIES[BOTH].vans) == set()


@pytest.mark.parametrize("seed", SEEDS)
def test_a_reader_that_met_no_other_is_not_enough_evidence(found: list[dict[str, Any]], seed: int) -> None:
    name = f"unmet {seed}"
    vans = FAMILIES[name].vans
    assert accused(found) & {vans[3], vans[17]} == set()
    (told,) = _told_of(found, name)
    assert (told["tier"], told["reader"], told["n_vans"]) == ("not_enough_evidence", _tablet(name), 2)
    assert BENCH in told["next_check"]
    assert _named_parameters(told) == set(READINGS)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_what_only_one_reader_has_seen_is_not_enough_evidence(
    found: list[dict[str, Any]], layout: str
) -> None:
    (alone, shared), vans = LAYOUTS[layout], FAMILIES[layout].vans
    (told,) = _told_of(found, layout)
    assert (told["tier"], told["reader"]) == ("not_enough_evidence", _tablet(layout))
    assert told["against"] == "other_reader"
    assert told["n_vans"] == len(alone)
    assert told["van"] == (vans[alone[0]] if len(alone) == 1 else None)
    assert _named_parameters(told) == set(READINGS)
    # the cheapest scans that would decide: which van, which reader, which state, how many
    again = r"Scan again with (.+): van (.+), twice, at warm idle; .* read (\d+) vans? with both readers"
    if layout in WHOLE_COHORTS:
        assert "compared with one another" in told["claim"]
        (asked,) = re.findall(rf"Read (\d+) vans with both {_tablet(layout)} and {BENCH}", told["next_check"])
    else:
        ((reader, van, asked),) = re.findall(again, told["next_check"])
        outnumbered, other = OUTNUMBERED.get(layout, (alone, BENCH))
        assert reader == other
        assert van in {vans[v] for v in outnumbered}
    assert abs(int(asked) - _vans_that_decide(told["parameter"], len(shared))) <= 2
    assert accused(found) & {vans[v] for v in [*alone, *shared]} == set()
    offsets = [f for f in found if f["kind"] == "cohort_offset" and f["model"] == layout]
    assert [f for f in offsets if f["tier"] != "watch"] == []


def test_four_shared_vans_are_enough(found: list[dict[str, Any]]) -> None:
    name = "four vans shared"
    told = _told_of(found, name)
    assert {f["parameter"] for f in told} == set(READINGS)
    assert {(f["reader"], f["tier"]) for f in told} == {(_tablet(name), "finding")}
    assert accused(found) & set(FAMILIES[name].vans) == set()


def test_a_reader_used_on_shared_vans_only_is_set_aside_and_said(found: list[dict[str, Any]]) -> None:
    name = "two vans shared"
    vans = FAMILIES[name].vans
    (told,) = _told_of(found, name)
    assert (told["tier"], told["reader"]) == ("not_enough_evidence", _tablet(name))
    assert (told["van"], told["difference"]) == (None, None)
    assert "Read 2 more vans with both" in told["next_check"]
    assert accused(found) & {vans[6], vans[16]} == set()


def test_every_reader_that_is_told_of_is_one_that_was_planted(found: list[dict[str, Any]]) -> None:
    told = [f for f in found if f["kind"] == "reader_bias"]
    assert len(told) == sum(len(_told_of(found, name)) for name in FAMILIES)
