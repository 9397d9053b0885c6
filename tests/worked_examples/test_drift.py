"""Published examples of trends, steps and running sums."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from pipeline.compare.drift import follow
from pipeline.compare.serial import fit_lines
from pipeline.compare.steps import Steps, first_noticed, locate_step, smooth, tabular_cusum

Example = Callable[[str], dict[str, Any]]


def _locate(cell: np.ndarray, time: np.ndarray, value: np.ndarray) -> Steps:
    cells = int(cell.max()) + 1
    return locate_step(cell, fit_lines(cell, time, value, cells), np.zeros(cells))


def test_trend_with_ties(example: Example) -> None:
    # EPA QA/G-9S, Data Quality Assessment, page 109: eleven values, two groups of ties
    case = example("mann_kendall_epa")
    value = np.array(case["inputs"]["x"], dtype=float)
    found = follow(
        np.zeros(len(value), dtype=np.int64), np.arange(len(value), dtype=float), value, np.zeros(1)
    )
    assert found.s[0] == case["expected"]["S"]
    assert found.variance[0] == pytest.approx(case["expected"]["var"], abs=0.005)
    assert found.z[0] == pytest.approx(case["expected"]["Z"], abs=5e-4)
    assert found.slope[0] == pytest.approx(case["expected"]["sen_slope"])


def test_running_sums(example: Example) -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.3; printed to two decimals from rounded terms
    case = example("cusum_nist")
    given, printed = case["inputs"], case["expected"]
    up, down = tabular_cusum(np.array(given["x"]), given["target"], given["k"])
    assert up == pytest.approx(np.array(printed["S_hi"]), abs=0.0061)
    assert down == pytest.approx(np.array(printed["S_lo"]), abs=0.0061)
    assert int(np.argmax(up > given["h"])) + 1 == printed["first_alarm_index_1based"]


def test_moving_average(example: Example) -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4; printed to two decimals
    case = example("ewma_nist")
    given = case["inputs"]
    made = smooth(np.array(given["x"]), given["lam"], given["mu0"])
    assert made == pytest.approx(np.array(case["expected"]["ewma"]), abs=0.0051)


def test_a_running_tally_notices_the_nile_within_a_few_years_of_its_step(example: Example) -> None:
    # Cobb 1978: the step lies between 1898 and 1899; a tally needs some years to be sure, and cries out before no step
    case = example("nile_step")
    place = first_noticed(np.array(case["inputs"]["x"], dtype=float), n_start=20)
    assert place is not None
    assert 1899 <= case["inputs"]["first_year"] + place <= 1910
    assert first_noticed(np.array(case["inputs"]["x"], dtype=float)[:28], n_start=20) is None
    assert first_noticed(np.array([1.0, 2.0, 1.0])) is None


def test_the_nile_falls_after_1898(example: Example) -> None:
    # Cobb 1978: annual flow at Aswan, 1871 to 1970
    case = example("nile_step")
    value = np.array(case["inputs"]["x"], dtype=float)
    years = case["inputs"]["first_year"] + np.arange(len(value), dtype=float)
    found = _locate(np.zeros(len(value), dtype=np.int64), years, value)
    assert years[found.last_before[0]] == case["expected"]["last_year_before"]
    assert found.size[0] < 0
    assert found.beats_line[0] > 1


def test_cracks_only_grow(example: Example) -> None:
    # Lu and Meeker 1993: with every pair rising S is n (n - 1) / 2, and one order in n! does that
    case = example("fatigue_paths")
    paths = [np.array(p) for p in case["inputs"]["paths"]]
    assert (len(paths), sum(map(len, paths))) == (case["expected"]["paths"], case["expected"]["values"])
    sizes = [len(p) for p in paths]
    cell = np.repeat(np.arange(len(paths)), sizes)
    time = np.concatenate([np.arange(n) * case["inputs"]["step"] for n in sizes])
    found = follow(cell, time, np.concatenate(paths), np.zeros(len(paths)))
    assert found.s.tolist() == [n * (n - 1) / 2 for n in sizes]
    chances = [2 / float(np.prod(np.arange(1.0, n + 1))) for n in sizes]
    assert found.p == pytest.approx(np.array(chances), rel=1e-6)
    assert np.all(found.slope_low > 0)
    step = _locate(cell, time, np.concatenate(paths))
    assert np.all(step.beats_line < 1)
