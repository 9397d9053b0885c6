"""A reader that never read a van another reader has read: never the van's fault, never the cohort's, always said.

The target is 100 % (a reader confounded with vans ends in "not enough evidence").
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from pipeline import vocabulary
from pipeline.compare.power import pairs_needed
from tests.findings.test_causes import READINGS, SCANS, Shift, accused, findings_of, write_files

BENCH, TABLET = "Bench reader", "Yard tablet"
VANS = 40  # four cohorts of ten, one family
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


def _readers(alone: list[int], shared: list[int]) -> np.ndarray:
    reader = np.full((VANS, SCANS), BENCH, dtype=object)
    reader[alone] = TABLET
    reader[np.ix_(shared, range(0, SCANS, 2))] = TABLET
    return reader


def _vans_that_decide(parameter: str, shared: int) -> int:
    """Vans to read with both readers once, beside those shared: enough for the smallest useful difference, four at least.

    The scatter is the one planted; the warehouse has to estimate it, hence two vans either way.
    """
    sd = 2**0.5 * READINGS[parameter][2]
    needed = pairs_needed(vocabulary.parameter(parameter).smallest_useful, sd, least=4) or 4
    return max(needed - shared, 1)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_what_only_one_reader_has_seen_is_not_enough_evidence(tmp_path: Path, layout: str) -> None:
    alone, shared = LAYOUTS[layout]
    reader = _readers(alone, shared)
    shifts = [(Shift(key, OFF * tau), reader == TABLET) for key, (_, tau, _) in READINGS.items()]
    vans = write_files(tmp_path / "files", reader, shifts, seed=70 + len(layout))
    found = findings_of(tmp_path)
    (told,) = [f for f in found if f["kind"] == "reader_bias"]
    assert (told["tier"], told["reader"], told["against"]) == ("not_enough_evidence", TABLET, "other_reader")
    assert told["n_vans"] == len(alone)
    assert told["van"] == (vans[alone[0]] if len(alone) == 1 else None)
    assert {told["parameter"], *(a["parameter"] for a in told["also"])} == set(READINGS)
    # the cheapest scans that would decide: which van, which reader, which state, how many
    assert f"Scan again with {BENCH}: van " in told["next_check"]
    assert any(f"van {vans[v]}, twice, at warm idle" in told["next_check"] for v in alone)
    (asked,) = re.findall(r"read (\d+) vans? with both readers", told["next_check"])
    assert abs(int(asked) - _vans_that_decide(told["parameter"], len(shared))) <= 2
    assert accused(found) & {vans[v] for v in [*alone, *shared]} == set()
    assert [f for f in found if f["kind"] == "cohort_offset" and f["tier"] != "watch"] == []


def test_four_shared_vans_are_enough(tmp_path: Path) -> None:
    alone, shared = [4, 15, 25], [6, 16, 26, 36]
    reader = _readers(alone, shared)
    shifts = [(Shift(key, OFF * tau), reader == TABLET) for key, (_, tau, _) in READINGS.items()]
    write_files(tmp_path / "files", reader, shifts, seed=79)
    found = findings_of(tmp_path)
    told = [f for f in found if f["kind"] == "reader_bias"]
    assert {f["parameter"] for f in told} == set(READINGS)
    assert {(f["reader"], f["tier"]) for f in told} == {(TABLET, "finding")}
    assert accused(found) == set()


def test_one_reader_alone_is_no_matter(tmp_path: Path) -> None:
    write_files(tmp_path / "files", np.full((VANS, SCANS), BENCH), [], seed=80)
    assert [f for f in findings_of(tmp_path) if f["kind"] == "reader_bias"] == []


def test_a_reader_used_on_shared_vans_only_is_set_aside_and_said(tmp_path: Path) -> None:
    reader = _readers([], [6, 16])
    shifts = [(Shift("rail_pressure", OFF * 0.9), reader == TABLET)]
    vans = write_files(tmp_path / "files", reader, shifts, seed=81)
    found = findings_of(tmp_path)
    (told,) = [f for f in found if f["kind"] == "reader_bias"]
    assert (told["tier"], told["reader"], told["van"], told["difference"]) == (
        "not_enough_evidence", TABLET, None, None,
    )  # fmt: skip
    assert "Read 2 more vans with both" in told["next_check"]
    assert accused(found) & {vans[6], vans[16]} == set()
