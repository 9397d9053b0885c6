"""Published data with known outliers: what is set aside before a cohort speaks for itself.

The rules differ (ours pools the scale over a family and is wider in small groups); the verdicts must not.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from pipeline.compare.offsets import find_offsets

Example = Callable[[str], dict[str, Any]]


def _set_aside(values: list[float]) -> int:
    nothing = [0] * len(values)
    return int(find_offsets(values, nothing, nothing, nothing).n_odd[0])


def test_two_outliers_that_hide_each_other(example: Example) -> None:
    # Iglewicz and Hoaglin 1993: the two largest exceed 3.5, though no plain z reaches 3
    case = example("iglewicz_hoaglin_modified_z")
    x = case["inputs"]["x"]
    plain = np.abs(np.array(x) - np.mean(x)) / np.std(x, ddof=1)
    assert plain.max() < case["expected"]["max_abs_plain_z_below"]
    assert _set_aside(x) == sum(case["expected"]["flag"]) == 2
    assert _set_aside([v for v, flag in zip(x, case["expected"]["flag"], strict=True) if not flag]) == 0


def test_one_outlier_of_eight(example: Example) -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.17.1: uranium isotope ratios, the largest is the outlier
    case = example("grubbs_nist")
    x = case["inputs"]["x"]
    assert _set_aside(x) == 1
    assert _set_aside([v for v in x if v != case["expected"]["outlier"]]) == 0
