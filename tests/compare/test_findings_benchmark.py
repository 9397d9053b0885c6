"""A short, seeded version of `tests/benchmarks/findings.py`: the score against rivals on the same rows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.benchmarks.findings import Counts, count_setting
from tests.benchmarks.row_fleets import Kind

WAYS = ("Kinbay's score", "fixed limits", "pooled-row z", "modified z 3.5")
MIXED = Kind((4, 5, 6, 7, 9, 11, 14, 24))


@pytest.fixture(scope="module")
def faulty() -> dict[str, Counts]:
    return count_setting(replace(MIXED, faults=6, sigma=8.0), 15, WAYS, workers=1)


def test_the_score_finds_what_rivals_bury_in_false_names(faulty: dict[str, Counts]) -> None:
    ours = faulty[WAYS[0]]
    assert ours.planted.sum() == 90
    assert ours.recall[0] >= 0.90
    assert ours.discovery_rate[0] <= 0.10  # target 0.06 over 100 fleets; 15 leave +- 0.04 of chance
    for way in WAYS[1:]:
        assert faulty[way].false_rate[0] > 10 * max(ours.false_rate[0], 0.1)


def test_rows_are_no_evidence_of_their_own() -> None:
    # as many as half of all healthy cells: the more rows a scan has, the surer the wrong answer
    found = count_setting(MIXED, 3, WAYS, workers=1)
    cells = sum(MIXED.cohorts) * MIXED.measures
    assert found["pooled-row z"].false_rate[0] > 0.4 * cells
    assert found[WAYS[0]].false.sum() <= 2


def test_two_faulty_siblings_do_not_hide_each_other() -> None:
    pairs = Kind((9,) * 9, faults=6, sigma=8.0, is_in_pairs=True)
    ours = count_setting(pairs, 15, WAYS[:1], workers=1)[WAYS[0]]
    assert ours.recall[0] >= 0.6
