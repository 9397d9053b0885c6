"""The cause engine on a few seeded fleets with one planted cause each; the full run is `tests/benchmarks/causes.py`."""

from __future__ import annotations

import pytest

from tests.benchmarks import causes
from tests.benchmarks.cause_fleets import Plant, Shape

FLEETS = 12
SHAPE = Shape(measures=8)


@pytest.mark.parametrize(
    ("plant", "least"),
    [(Plant(), 11), (Plant("reader", 0.5), 11), (Plant("exposure", 2.0), 11), (Plant("cohort", 3.0), 10)],
    ids=lambda x: getattr(x, "kind", x),
)
def test_the_planted_cause_and_no_other_is_named(plant: Plant, least: int) -> None:
    """40 vans, 8 measures, 12 fleets: measured over 100 fleets with 18 measures are 1.00, .98, .97 and .98."""
    assert causes.tally(SHAPE, plant, FLEETS).exact >= least


def test_a_confounded_reader_is_never_decided() -> None:
    assert causes.count_silent(SHAPE, FLEETS) == FLEETS


def test_chance_is_called_one_in_twenty_times() -> None:
    rates = {kind: hits / n for kind, (hits, n) in causes.type_one(SHAPE, 2 * FLEETS).items()}
    assert 0.02 <= rates["reader"] <= 0.10  # 192 tests: 0.05 and two standard errors either side
    assert 0.03 <= rates["exposure"] <= 0.075
